// Readings that were discarded or moved: who, when, why, and how to take it back.
import { viewing } from "./viewing.js";
import { element } from "./panels.js";
import { clock, count, extent } from "./labels.js";

const $ = (id) => document.getElementById(id);

export class Revisions {
  #station; #commands; #shown = "";

  constructor(station, commands) {
    this.#station = station;
    this.#commands = commands;
    station.on("revisions", () => this.update());
    station.on("plan", () => this.update());
  }

  update() {
    const { plan, revisions } = this.#station;
    if (!plan) return;
    $("revisions").hidden = !revisions.length;
    const texts = revisions.map((one) => [one, this.#title(one), this.#detail(one)]).reverse();
    const shown = JSON.stringify(texts);
    if (shown === this.#shown) return;
    this.#shown = shown;
    $("revision-list").replaceChildren(...texts.map(([one, title, detail]) => this.#row(one, title, detail)));
  }

  #title(one) {
    const line = one.line === null ? "" : ` of line ${one.line}`;
    const scan = one.scan === null ? "" : ` from ${extent(one.scan.from, one.scan.to, this.#station.plan.scan.resolution)}`;
    const readings = one.restored !== null ? "Readings" : one.readings === null ? "Readings" : `${count(one.readings)} readings`;
    const what = one.kind === "move" ? `moved to line ${one.to_line}` : "discarded";
    return `${one.number}. ${readings}${line}${scan} ${what}`;
  }

  #detail(one) {
    const end = clock(one.end ?? one.time);
    const span = one.begin === null ? `taken before ${end}` : `taken ${clock(one.begin)} to ${end}`;
    const parts = [`“${one.because}”`, `${one.by}, ${clock(one.time)}`, span];
    if (one.restored !== null) parts.push(`restored by ${one.restored_by}, ${clock(one.restored)}: “${one.restored_because}”`);
    else if (one.readings === null) parts.push("the survey is being placed with it");
    return parts.join(" · ");
  }

  #row(one, title, detail) {
    const item = document.createElement("li");
    item.className = one.restored === null ? "inforce" : "restored";
    const text = document.createElement("div");
    text.append(element("strong", title), element("p", detail));
    item.append(text);
    if (one.restored === null && !viewing) {
      const button = element("button", "Restore…");
      button.type = "button";
      button.setAttribute("aria-label", `Restore revision ${one.number}`);
      button.addEventListener("click", () => this.#commands.confirm("restore", {
        revision: one.number, title: `Restore revision ${one.number}?`, text: `${title.replace(/^\d+\. /, "")}: these readings count again as they did before.`,
      }));
      item.append(button);
    }
    return item;
  }
}
