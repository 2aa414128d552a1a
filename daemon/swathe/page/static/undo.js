// The form that takes readings out afterwards, or moves them to the line that they are of.
import { clock, fromUnit, inInches } from "./labels.js";

const $ = (id) => document.getElementById(id);
const UPDATE_MS = 250;
const MAX_NOTES = 30;
// Fields that each choice of readings has.
const FIELDS = { last: ["seconds"], present: [], line: ["line"], stretch: ["line", "stretch"], notes: ["notes"] };

const chosen = (name) => document.querySelector(`[name=${name}]:checked`).value;

export class UndoForm {
  #station; #timer = 0; #opened = null; #line = null;

  constructor(station) {
    this.#station = station;
    $("confirm-undo-row").addEventListener("input", () => this.#update());
  }

  /** Fill the form; times are before now, the moment at which it is opened. */
  fill() {
    const { plan, progress, notes } = this.#station;
    this.#opened = this.#station.now();
    this.#line = progress?.line_now?.number ?? progress?.line ?? null;
    const several = Boolean(plan?.index);
    // The encoder of an index axis gives the line; readings of another one cannot be moved.
    $("undo-what").hidden = !plan?.stepped;
    for (const element of document.querySelectorAll("[data-lines]")) element.hidden = !several;
    $("undo-present").hidden = !several || this.#line === null;
    $("undo-present-text").textContent = `Line ${this.#line}, the present one`;
    $("undo-notes").hidden = !notes.length;
    for (const radio of document.querySelectorAll("#confirm-undo-row [type=radio]")) radio.checked = ["last", "discard"].includes(radio.value);
    $("undo-seconds").value = "10";
    $("undo-line").value = String(this.#line ?? 0);
    $("undo-line").max = $("undo-to").max = String((plan?.index?.cells ?? 1) - 1);
    $("undo-to").value = "";
    $("undo-from").value = $("undo-until").value = $("undo-reason").value = "";
    for (const unit of document.querySelectorAll(".undo-unit")) unit.textContent = inInches() ? "in" : "mm";
    const newest = notes.slice(-MAX_NOTES).reverse();
    const options = newest.map((note) => new Option(`${clock(note.time)} ${note.text}`, note.time));
    $("undo-begin").replaceChildren(new Option("the first reading", ""), ...options.map((option) => option.cloneNode(true)));
    $("undo-end").replaceChildren(new Option("now", ""), ...options);
    if (newest.length) $("undo-begin").selectedIndex = 1;
    this.#update();
  }

  /** The fields of the command; null while something is missing. */
  read() {
    const stretch = this.#stretch();
    const text = $("undo-reason").value.trim();
    if (!stretch || !text) return null;
    if (chosen("undo-what") === "discard") return { command: "discard", stretch, text };
    return { command: "move", stretch, line: Number($("undo-to").value), text };
  }

  #stretch() {
    const which = chosen("undo-which");
    const row = (value) => (this.#station.plan?.index ? Number(value) : null);
    const end = new Date(this.#opened).toISOString();
    switch (which) {
      case "last": {
        const seconds = Number($("undo-seconds").value);
        if (!(seconds > 0)) return null;
        return { begin: new Date(this.#opened - seconds * 1000).toISOString(), end };
      }
      case "present": return { line: this.#line };
      case "line": return { line: row($("undo-line").value) };
      case "stretch": {
        const ends = ["undo-from", "undo-until"].map((id) => $(id).value.trim());
        if (ends.some((text) => text === "")) return null;
        const [low, high] = ends.map((text) => fromUnit(Number(text))).sort((a, b) => a - b);
        return { line: row($("undo-line").value), scan: { from: low, to: high } };
      }
      default: return { begin: $("undo-begin").value || null, end: $("undo-end").value || end };
    }
  }

  /** Show the fields of the choice, and what it affects. */
  #update() {
    const fields = FIELDS[chosen("undo-which")];
    const several = Boolean(this.#station.plan?.index);
    const show = (id, yes) => {
      $(id).hidden = !yes;
      for (const control of $(id).querySelectorAll("input, select")) control.disabled = !yes;
    };
    show("undo-seconds-row", fields.includes("seconds"));
    show("undo-line-row", fields.includes("line") && several);
    show("undo-stretch-row", fields.includes("stretch"));
    show("undo-notes-row", fields.includes("notes"));
    show("undo-to-row", chosen("undo-what") === "move");
    $("confirm-yes").textContent = chosen("undo-what") === "move" ? "Move readings" : "Discard readings";
    clearTimeout(this.#timer);
    this.#timer = setTimeout(() => this.#showAffected(), UPDATE_MS);
  }

  async #showAffected() {
    const stretch = this.#stretch();
    if (!stretch) { $("undo-affected").textContent = "Affected: choose which readings."; return; }
    let text;
    try {
      const answer = await fetch(`/affected?stretch=${encodeURIComponent(JSON.stringify(stretch))}`);
      const found = await answer.json();
      text = `Affected: ${found.affected ?? found.error}.`;
    } catch {
      text = "Affected: unknown, no connection to the station.";
    }
    if (JSON.stringify(stretch) === JSON.stringify(this.#stretch())) $("undo-affected").textContent = text;
  }
}
