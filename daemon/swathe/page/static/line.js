// What the hand needs at the wall: the line that is meant, whether its readings count, and the line
// before and after it with one touch.
import { linePlace, point } from "./labels.js";

const $ = (id) => document.getElementById(id);
const set = (id, text) => { if ($(id).textContent !== text) $(id).textContent = text; };
const OVER = ["complete", "incomplete"];

// So long after a change the line before it is shown.
const CHANGED_MS = 5000;

export class LinePanel {
  #station; #number = null; #before = null;

  constructor(station) {
    this.#station = station;
    for (const kind of ["plan", "progress", "run", "alarms", "crawler", "position", "connection"]) station.on(kind, () => this.update());
  }

  update() {
    const { plan, progress, run, crawler } = this.#station;
    if (!plan) return;
    // A crawler takes its lines itself.
    $("hand").hidden = crawler !== null || OVER.includes(run?.state);
    $("line-steps").hidden = !plan.stepped;
    $("line-blocked").hidden = !["return", "either end"].includes(plan.advance);
    $("line-figures").hidden = !plan.stepped;
    $("probe-figures").hidden = plan.stepped;
    if (plan.stepped) this.#line(progress?.line_now ?? null, plan);
    else this.#probe(plan);
  }

  #line(now, plan) {
    set("line-number", now === null ? "–" : String(now.number));
    if (now !== null && this.#number !== null && this.#number !== now.number) this.#before = { number: this.#number, time: performance.now() };
    this.#number = now?.number ?? null;
    const changed = this.#before !== null && (!now?.settled || performance.now() - this.#before.time < CHANGED_MS);
    set("line-last", changed ? `before: line ${this.#before.number}` : `(lines 0 to ${plan.index.cells - 1})`);
    set("line-index", now === null ? "–" : linePlace(now.index));
    this.#state(now === null ? "" : now.waiting || (now.settled ? "" : "nothing counts yet"), "line");
  }

  #probe(plan) {
    const [scan, index] = this.#station.position;
    set("probe-scan", point(scan));
    $("probe-index-figure").hidden = !plan.index;
    set("probe-index", point(index, "index"));
    this.#state("", "place");
  }

  /** Show whether readings count here, and what keeps them from it. */
  #state(waiting, here) {
    const { run, progress, alarms, connection } = this.#station;
    const lost = [...alarms.values()].some((one) => one.kind === "position lost" && one.status === "raised");
    const why = !connection.alive && connection.reported ? "no connection: not known whether readings count"
      : run?.state === "paused" ? "paused: nothing counts"
      : run?.state === "resuming" ? "the survey is being resumed: nothing counts yet"
        : lost ? "position lost: nothing counts" : progress === null ? "no data yet" : waiting;
    const fast = !why && progress?.too_fast;
    $("line-waiting").classList.toggle("waits", why !== "");
    $("line-waiting").classList.toggle("fast", Boolean(fast));
    set("line-waiting", why ? `◌ ${why}` : fast ? "▲ Too fast: slow down" : `● Readings count for this ${here}`);
  }
}
