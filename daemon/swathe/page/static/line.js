// What the hand needs at the wall: the line that is meant, whether its readings count, and the line
// before and after it with one touch.
import { level, point } from "./labels.js";

const $ = (id) => document.getElementById(id);
const set = (id, text) => { if ($(id).textContent !== text) $(id).textContent = text; };
const OVER = ["complete", "incomplete"];

export class LinePanel {
  #station;

  constructor(station) {
    this.#station = station;
    for (const kind of ["plan", "progress", "run", "crawler", "position"]) station.on(kind, () => this.update());
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
    set("line-last", `of 0 to ${plan.index.cells - 1}`);
    set("line-index", now === null ? "–" : level(now.index));
    const waiting = now === null ? "" : now.waiting || (now.settled ? "" : "nothing counts yet");
    $("line-waiting").classList.toggle("waits", waiting !== "");
    set("line-waiting", now === null ? "" : waiting ? `◌ ${waiting}` : "● Readings count on this line");
  }

  #probe(plan) {
    const [scan, index] = this.#station.position;
    set("probe-scan", point(scan));
    $("probe-index-figure").hidden = !plan.index;
    set("probe-index", point(index));
    set("line-waiting", "");
  }
}
