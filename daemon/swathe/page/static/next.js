// Where to go next by hand: one line over the list of places to go back to.
import { inInches } from "./words.js";

const $ = (id) => document.getElementById(id);

export class Next {
  #board;

  constructor(board, map) {
    this.#board = board;
    board.on("next", () => this.renew());
    board.on("plan", () => this.renew());
    $("next").addEventListener("click", () => {
      const { next, plan } = board;
      if (!next) return;
      const half = (plan.index?.resolution ?? 1) / 2;
      map.showPlace(`next: gap ${next.gap}`, [...next.scan].sort((a, b) => a - b), [next.index - half, next.index + half]);
    });
  }

  renew() {
    const { next } = this.#board;
    $("next").hidden = !next;
    if (!next) return;
    const [first, ...rest] = (inInches() ? next.inches : next.mm).split("; ");
    const set = (id, text) => { if ($(id).textContent !== text) $(id).textContent = text; };
    set("next-first", first);
    set("next-rest", rest.join("; "));
  }
}
