// Places whose thickness is to be confirmed: value, why it is doubtful, what else was read there.
import { viewing } from "./viewing.js";
import { element } from "./panels.js";
import { clock, count, point, thick } from "./labels.js";

const $ = (id) => document.getElementById(id);
const MOST = 20;

/** A flag of the layer `quality` in words. */
export const flagName = (flag) => flag.replaceAll("_", " ");

export class Doubtful {
  #station; #commands; #shown = "";

  constructor(station, commands) {
    this.#station = station;
    this.#commands = commands;
    station.on("confirm", () => this.update());
    station.on("plan", () => this.update());
  }

  update() {
    const { plan, doubtful } = this.#station;
    if (!plan) return;
    $("doubtful").hidden = !doubtful.total;
    const texts = doubtful.places.slice(0, MOST).map((one) => [one, this.#title(one), this.#detail(one)]);
    const shown = JSON.stringify([doubtful.total, texts]);
    if (shown === this.#shown) return;
    this.#shown = shown;
    $("doubtful-count").textContent = count(doubtful.total);
    $("doubtful-list").replaceChildren(...texts.map(([one, title, detail]) => this.#row(one, title, detail)));
    const more = doubtful.total - texts.length;
    $("doubtful-more").textContent = more > 0 ? `and ${count(more)} more` : "";
  }

  #title(one) {
    const at = [`scan ${point(one.scan)}`];
    if (this.#station.plan.index) at.push(`index ${point(one.index, "index")}`);
    return `${one.number}. ${thick(one.thickness)} at ${at.join(", ")}`;
  }

  #detail(one) {
    const parts = [one.flags.map(flagName).join(", ")];
    if (one.wall !== null) parts.push(`around it ${thick(one.wall)}`);
    if (one.other !== null) parts.push(`${count(one.others)} other ${one.others === 1 ? "pass" : "passes"} read ${thick(one.other)} or more`);
    if (one.status === "rejected") parts.push(`rejected by ${one.by}, ${clock(one.changed)}: “${one.reason}”`);
    return parts.join(" · ");
  }

  #row(one, title, detail) {
    const item = document.createElement("li");
    const text = document.createElement("div");
    text.append(element("strong", title), element("p", detail));
    item.append(text);
    if (viewing) return item;
    item.append(this.#button(one, title, "confirm", "Real…"));
    if (one.status !== "rejected") item.append(this.#button(one, title, "reject", "Spurious…"));
    return item;
  }

  #button(one, title, command, label) {
    const button = element("button", label);
    button.type = "button";
    button.setAttribute("aria-label", `${label.slice(0, -1)}: place ${one.number}`);
    button.addEventListener("click", () => this.#commands.confirm(command, { number: one.number, title: title.replace(/^\d+\. /, "") }));
    return button;
  }
}
