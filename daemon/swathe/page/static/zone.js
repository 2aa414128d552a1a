// A zone that is to be left out: drawn over the map by hand, or told by its four borders.
import { fromUnit, inInches, inUnit } from "./words.js";

const $ = (id) => document.getElementById(id);
const SIDES = ["scan-from", "scan-to", "index-from", "index-to"];

export class ZoneForm {
  #board; #map;

  /** @param onDrawn called with the zone that was drawn. */
  constructor(board, map, onDrawn) {
    this.#board = board;
    this.#map = map;
    $("zone-draw").addEventListener("click", () => {
      $("ask").close("no");
      this.#begin(onDrawn);
    });
    $("draw-leave").addEventListener("click", () => this.#end());
    document.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && map.drawing) this.#end();
    });
  }

  #begin(onDrawn) {
    this.#map.drawing = (zone) => {
      this.#end();
      this.#map.chosen.draft = zone;
      onDrawn(zone);
    };
    $("draw-hint").hidden = false;
    $("sheet").classList.add("drawing");
    $("sheet").scrollIntoView({ block: "center" });
    $("draw-leave").focus({ preventScroll: true });
  }

  #end() {
    this.#map.drawing = null;
    this.#map.chosen.draft = null;
    $("draw-hint").hidden = true;
    $("sheet").classList.remove("drawing");
    this.#map.ask();
  }

  /** The question is closed: what was drawn is no longer shown. */
  closed() {
    if (!this.#map.drawing) this.#map.chosen.draft = null;
    this.#map.ask();
  }

  /** Begin with a zone, as extents in mm; null for an empty form. */
  fill(zone) {
    const { plan } = this.#board;
    const values = zone ? [...zone.scan, ...(zone.index ?? [])] : [];
    SIDES.forEach((side, k) => {
      const input = $(`zone-${side}`);
      input.value = values[k] === undefined ? "" : inUnit(values[k]).toFixed(inInches() ? 2 : 1);
      input.disabled = side.startsWith("index") && !plan?.index;
    });
    $("zone-index").hidden = !plan?.index;
    for (const unit of document.querySelectorAll(".zone-unit")) unit.textContent = inInches() ? "in" : "mm";
    $("zone-name").value = "";
  }

  /** The zone as a command has it. */
  read() {
    const span = (axis) => {
      const ends = [$(`zone-${axis}-from`), $(`zone-${axis}-to`)].map((input) => fromUnit(Number(input.value)));
      return { from: Math.min(...ends), to: Math.max(...ends) };
    };
    return {
      name: $("zone-name").value.trim() || "left out",
      scan: span("scan"),
      index: this.#board.plan?.index ? span("index") : null,
    };
  }
}
