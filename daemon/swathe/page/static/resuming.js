// A survey that is being resumed: how far that is, and what can be done meanwhile.
import { duration, fixed } from "./labels.js";
import { isOver } from "./result.js";

const $ = (id) => document.getElementById(id);
const set = (id, text) => { if ($(id).textContent !== text) $(id).textContent = text; };

export class Resuming {
  #station;

  constructor(station) {
    this.#station = station;
    for (const kind of ["opening", "run", "plan"]) station.on(kind, () => this.update());
  }

  update() {
    const { opening, run } = this.#station;
    document.body.classList.toggle("resuming", opening !== null);
    $("resuming").hidden = opening === null;
    if (opening === null) return;
    const over = isOver(run);
    document.title = `${opening.station}: ${over ? "run ended" : "resuming"}`;
    set("part", opening.part || opening.station);
    set("station", opening.station);
    set("resuming-title", over ? "The run ended before the survey was resumed" : "The survey is being resumed");
    for (const id of ["resuming-progress", "resuming-kept", "resuming-acts"]) $(id).hidden = over;
    $("resuming-crawler").hidden = over || !opening.crawls;
    set("resuming-why", over ? run.reason : "");
    const share = run?.resumed ?? null, left = run?.resumed_in ?? null;
    set("resuming-share", share === null ? "–" : fixed(share, 1));
    $("resuming-fill").style.width = `${share ?? 0}%`;
    $("resuming-bar").setAttribute("aria-valuenow", String(share ?? 0));
    const rest = share === 100 ? "arrays and record are being written" : left === null ? "time left not known yet" : `about ${duration(left)} left`;
    const since = run?.since ? ` · ${duration(Math.max(0, (Date.parse(run.time) - Date.parse(run.since)) / 1000))} so far` : "";
    set("resuming-left", rest + since);
  }
}
