// "I am at": where the probe rests, as zero, a named mark of the plan or a number; and the bar that
// offers it when the position is lost or the probe was lifted.
import { element } from "./panels.js";
import { fromUnit, inInches, stated } from "./labels.js";

const $ = (id) => document.getElementById(id);
const set = (id, text) => { if ($(id).textContent !== text) $(id).textContent = text; };
const AXES = ["scan", "index"];

/** A position on both axes as text; null leaves an axis out. */
const positionText = (place) =>
  AXES.filter((axis) => place[axis] !== null).map((axis) => `${axis} ${stated(place[axis])}`).join(", ");

export class PlaceForm {
  #station;

  constructor(station) {
    this.#station = station;
    for (const axis of AXES) $(`place-${axis}`).addEventListener("input", () => this.#choose("number"));
    for (const kind of ["alarms", "progress", "plan", "crawler", "run"]) station.on(kind, () => this.#offer());
  }

  #choose(value) {
    const radio = document.querySelector(`[name=place][value="${CSS.escape(value)}"]`);
    if (radio) radio.checked = true;
  }

  /** Fill the form. */
  fill() {
    const { plan, run } = this.#station;
    const zero = { value: "zero", name: "Zero of the scan axis", at: stated(0) };
    const marks = (run?.plan?.marks ?? []).map((mark) => ({ value: `mark ${mark.name}`, name: mark.name, at: positionText(mark) }));
    const number = { value: "number", name: "Another place", at: "" };
    $("place-choices").replaceChildren(...[zero, ...marks, number].map(choice));
    this.#choose("zero");
    for (const axis of AXES) $(`place-${axis}`).value = "";
    for (const unit of document.querySelectorAll(".place-unit")) unit.textContent = inInches() ? "in" : "mm";
    $("place-index-label").hidden = !plan?.index || plan.stepped;
  }

  /** The fields of the command; null if no place is given. */
  read() {
    const chosen = document.querySelector("[name=place]:checked").value;
    if (chosen === "zero") return { scan: 0 };
    if (chosen !== "number") return { mark: chosen.replace("mark ", "") };
    const given = AXES.filter((axis) => $(`place-${axis}`).value.trim());
    if (!given.length) return null;
    return Object.fromEntries(given.map((axis) => [axis, fromUnit(Number($(`place-${axis}`).value))]));
  }

  /** Show the bar while the position is lost, or the hint that the probe may have been lifted. */
  #offer() {
    const { alarms, progress, crawler, run } = this.#station;
    const over = ["complete", "incomplete"].includes(run?.state);
    const lost = [...alarms.values()].find((one) => one.kind === "position lost" && one.status === "raised");
    const lifted = progress?.lifted ?? null;
    $("where").hidden = crawler !== null || over || (!lost && !lifted);
    $("where").classList.toggle("lost", Boolean(lost));
    set("where-title", lost ? "Position lost" : "Was the probe lifted?");
    set("where-text", lost ? "Rest the probe on a known place and give it." : lifted?.text ?? "");
  }
}

function choice({ value, name, at }) {
  const label = document.createElement("label");
  const radio = document.createElement("input");
  radio.type = "radio";
  radio.name = "place";
  radio.value = value;
  const text = element("span", name);
  if (at) text.append(element("small", ` ${at}`));
  label.append(radio, text);
  return label;
}
