// The next step of a scan by hand: with the line that is meant.
import { inInches } from "./labels.js";

const $ = (id) => document.getElementById(id);

export class NextStep {
  #station;

  constructor(station, map) {
    this.#station = station;
    station.on("next", () => this.update());
    station.on("plan", () => this.update());
    $("next").addEventListener("click", () => {
      const { next, plan } = station;
      if (!next?.scan) return;
      const half = (plan.index?.resolution ?? 1) / 2;
      map.showRegion(next.gap === null ? "next" : `next: gap ${next.gap}`, [...next.scan].sort((a, b) => a - b), [next.index - half, next.index + half]);
    });
  }

  update() {
    const { next } = this.#station;
    $("next").hidden = !next;
    if (!next) return;
    const [first, ...rest] = (inInches() ? next.inches : next.mm).split("; ");
    const set = (id, text) => { if ($(id).textContent !== text) $(id).textContent = text; };
    set("next-first", first);
    set("next-rest", rest.join("; "));
  }
}
