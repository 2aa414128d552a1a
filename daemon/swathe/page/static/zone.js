// The form for a zone to exclude: drawn on the map, or given by its four borders.
import { fromUnit, inInches, inUnit } from "./labels.js";

const $ = (id) => document.getElementById(id);
const SIDES = ["scan-from", "scan-to", "index-from", "index-to"];

export class ZoneForm {
  #station; #map;

  /** @param onDrawn called with the drawn zone. */
  constructor(station, map, onDrawn) {
    this.#station = station;
    this.#map = map;
    $("zone-draw").addEventListener("click", () => {
      $("confirm").close("no");
      this.#begin(onDrawn);
    });
    $("draw-cancel").addEventListener("click", () => this.#end());
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
    $("draw-cancel").focus({ preventScroll: true });
  }

  #end() {
    this.#map.drawing = null;
    this.#map.chosen.draft = null;
    $("draw-hint").hidden = true;
    $("sheet").classList.remove("drawing");
    this.#map.redraw();
  }

  /** The dialog is closed: remove the drawn zone from the map. */
  closed() {
    if (!this.#map.drawing) this.#map.chosen.draft = null;
    this.#map.redraw();
  }

  /** Fill the form with a zone, extents in mm; null for an empty form. */
  fill(zone) {
    const { plan } = this.#station;
    const values = zone ? [...zone.scan, ...(zone.index ?? [])] : [];
    SIDES.forEach((side, k) => {
      const input = $(`zone-${side}`);
      input.value = values[k] === undefined ? "" : Number(inUnit(values[k]).toFixed(inInches() ? 4 : 1));
      input.disabled = side.startsWith("index") && !plan?.index;
    });
    $("zone-index").hidden = !plan?.index;
    for (const unit of document.querySelectorAll(".zone-unit")) unit.textContent = inInches() ? "in" : "mm";
    $("zone-name").value = "";
  }

  /** The zone as the command has it. */
  read() {
    const span = (axis) => {
      const ends = [$(`zone-${axis}-from`), $(`zone-${axis}-to`)].map((input) => fromUnit(Number(input.value)));
      return { from: Math.min(...ends), to: Math.max(...ends) };
    };
    return {
      name: $("zone-name").value.trim() || "excluded",
      scan: span("scan"),
      index: this.#station.plan?.index ? span("index") : null,
    };
  }
}
