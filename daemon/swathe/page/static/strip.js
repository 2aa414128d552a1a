// The last minute of a gauge's values as SVG: a bar from lowest to highest for each half second; a
// cross below where readings had no echo, and nothing where nothing came.
import { sizeOf } from "./live_ascan.js";
import { svgElement } from "./plot.js";

const LEFT = 78, RIGHT = 12, TOP = 10, BOTTOM = 46;
const MIN_SPAN = { mm: 0.2, "µs": 0.1 };

export class StripPlot {
  #place; #svg; #last = null;

  /** @param place the element that it is drawn into. */
  constructor(place) {
    this.#place = place;
    this.#svg = svgElement("svg", { class: "live-plot", role: "img" });
    place.append(this.#svg);
    new ResizeObserver(() => this.draw()).observe(place);
  }

  /**
   * Show other values.
   * @param gauge the state of the gauge.
   * @param name returns a value, mm or µs, as text.
   */
  update(gauge, name) {
    this.#last = { gauge, name };
    this.draw();
  }

  draw() {
    if (!this.#last || !this.#place.clientWidth) return;
    const { gauge, name } = this.#last;
    const [width, height] = sizeOf(this.#place, 0.24, 120, 200);
    const columns = gauge.strip, foot = height - BOTTOM;
    const valued = columns.filter((column) => column !== null && column[0] !== null);
    const wide = (width - LEFT - RIGHT) / columns.length;
    const found = [svgElement("path", { class: "axis", d: `M${LEFT} ${TOP}V${foot}H${width - RIGHT}` })];
    let words = "no value in the last minute";
    if (valued.length) {
      let low = Math.min(...valued.map((column) => column[0])), high = Math.max(...valued.map((column) => column[1]));
      words = `${name(low)} to ${name(high)} in the last minute`;
      const missing = Math.max(0, MIN_SPAN[gauge.strip_unit] - (high - low)) / 2;
      low -= missing;
      high += missing;
      const y = (value) => TOP + ((high - value) / (high - low)) * (foot - TOP);
      found.push(svgElement("text", { x: LEFT - 6, y: TOP + 10, "text-anchor": "end" }, name(high)));
      found.push(svgElement("text", { x: LEFT - 6, y: foot, "text-anchor": "end" }, name(low)));
      const bars = columns.map((column, k) => {
        if (column === null || column[0] === null) return "";
        const top = y(column[1]), tall = Math.max(3, y(column[0]) - top);
        return `M${(LEFT + k * wide).toFixed(1)} ${(top - (tall === 3 ? 1.5 : 0)).toFixed(1)}h${Math.max(1, wide - 0.4).toFixed(1)}v${tall.toFixed(1)}h${(-Math.max(1, wide - 0.4)).toFixed(1)}z`;
      });
      found.push(svgElement("path", { class: "bars", d: bars.join("") }));
    }
    const crosses = columns.map((column, k) => {
      if (column === null || !column[2]) return "";
      const at = LEFT + (k + 0.5) * wide;
      return `M${(at - 3).toFixed(1)} ${foot + 6}l6 6m0 -6l-6 6`;
    });
    found.push(svgElement("path", { class: "no-echo", d: crosses.join("") }));
    found.push(svgElement("text", { x: LEFT - 6, y: foot + 14, "text-anchor": "end" }, "no echo"));
    found.push(svgElement("text", { x: LEFT, y: height - 6 }, `${gauge.strip_seconds} s ago`));
    found.push(svgElement("text", { x: width - RIGHT, y: height - 6, "text-anchor": "end" }, "now"));
    this.#svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    this.#svg.setAttribute("height", height);
    this.#svg.setAttribute("aria-label", `Values: ${words}`);
    this.#svg.replaceChildren(...found);
  }
}
