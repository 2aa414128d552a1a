// A live A-scan as SVG in the size of its place: the trace, each gate as a bar at the height of its
// threshold with its number, the measured points. Shapes tell them apart; colours only help.
import { svgElement } from "./plot.js";

const LEFT = 40, RIGHT = 12, TOP = 12, BOTTOM = 40;
const BEHIND = 0.15;
const MOST_SHARE = 0.46, LOWEST = 190, HIGHEST = 430;

/** 1, 2 or 5 times a power of ten, not below `about`. */
function stepOf(about) {
  const power = 10 ** Math.floor(Math.log10(about));
  return power * [1, 2, 5, 10].find((k) => k * power >= about * (1 - 1e-9));
}

const short = (value) => String(Number(value.toPrecision(6)));

/** Space for a drawing within an element: as wide as it is, and its height in proportion. */
export function sizeOf(element, share = MOST_SHARE, lowest = LOWEST, highest = HIGHEST) {
  const width = Math.max(260, Math.round(element.clientWidth));
  return [width, Math.round(Math.max(lowest, Math.min(highest, width * share)))];
}

export class LiveAscan {
  #place; #svg; #ascan = null;

  /** @param place the element that it is drawn into. */
  constructor(place) {
    this.#place = place;
    this.#svg = svgElement("svg", { class: "live-plot", role: "img" });
    place.append(this.#svg);
    this.whole = false;
    new ResizeObserver(() => this.draw()).observe(place);
  }

  /** Show another A-scan; null shows none. */
  update(ascan) {
    this.#ascan = ascan;
    this.draw();
  }

  draw() {
    const ascan = this.#ascan;
    if (!ascan || !this.#place.clientWidth) return this.#svg.replaceChildren();
    const [width, height] = sizeOf(this.#place);
    const { start, interval, trace, gates, flight } = ascan;
    const last = start + interval * (trace.length - 1);
    const ends = gates.map((gate) => gate.end).filter((end) => end !== null);
    const until = this.whole || !ends.length ? last
      : Math.min(last, start + (Math.max(...ends) - start) / (1 - BEHIND));
    const count = Math.min(trace.length, Math.ceil((until - start) / interval) + 1);
    const shown = trace.slice(0, count);
    const levels = gates.flatMap((gate) => gate.levels);
    let low = Math.min(0, ...shown, ...levels);
    low = low > -2 ? 0 : Math.min(-100, low);
    const high = Math.max(100, ...shown);
    const x = (time) => LEFT + ((time - start) / (until - start)) * (width - LEFT - RIGHT);
    const y = (level) => TOP + ((high - level) / (high - low)) * (height - TOP - BOTTOM);
    this.#svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    this.#svg.setAttribute("height", height);
    this.#svg.setAttribute("aria-label", inWords(ascan));
    this.#svg.replaceChildren(
      ...axes({ x, y, low, high, start, until, width, height, passed: ascan.band_passed }),
      svgElement("path", { class: "curve", d: shown.map((level, k) => `${k ? "L" : "M"}${x(start + k * interval).toFixed(1)} ${y(level).toFixed(1)}`).join("") }),
      ...gates.flatMap((gate, k) => drawGate(gate, k + 1, x, y)),
      ...gates.flatMap((gate) => drawPoint(gate, x, y, height - BOTTOM)),
      ...drawFlight(flight, start, x, height - BOTTOM - 8),
    );
  }
}

function axes({ x, y, low, high, start, until, width, height, passed }) {
  const found = [];
  for (const level of low < 0 ? [-100, -50, 0, 50, 100] : [0, 25, 50, 75, 100]) {
    const at = y(level);
    found.push(svgElement("path", { class: level === 0 ? "zero" : "grid", d: `M${LEFT} ${at.toFixed(1)}H${width - RIGHT}` }));
    found.push(svgElement("text", { x: LEFT - 6, y: at + 4, "text-anchor": "end" }, short(level)));
  }
  const step = stepOf((until - start) / Math.max(2, Math.floor((width - LEFT) / 90)));
  for (let k = Math.ceil(start / step - 1e-9); k * step <= until + 1e-9; k++) {
    found.push(svgElement("path", { class: "axis", d: `M${x(k * step).toFixed(1)} ${height - BOTTOM}v5` }));
    found.push(svgElement("text", { x: x(k * step), y: height - BOTTOM + 19, "text-anchor": "middle" }, short(k * step)));
  }
  found.push(svgElement("path", { class: "axis", d: `M${LEFT} ${TOP}V${height - BOTTOM}H${width - RIGHT}` }));
  found.push(svgElement("text", { x: 2, y: height - 4 }, "% of full screen height"));
  found.push(svgElement("text", { x: width - RIGHT, y: height - 4, "text-anchor": "end" }, passed ? "µs, band-passed" : "µs"));
  return found;
}

function drawGate(gate, number, x, y) {
  if (gate.begin === null) return [];
  const from = x(gate.begin), to = x(gate.end);
  return gate.levels.flatMap((level) => {
    const at = y(level), tick = level < 0 ? -9 : 9;
    return [
      svgElement("path", { class: "gate", d: `M${from.toFixed(1)} ${(at + tick).toFixed(1)}V${at.toFixed(1)}H${to.toFixed(1)}v${tick}` }),
      svgElement("text", { class: "gate-number", x: from + 5, y: at + (level < 0 ? 16 : -6) }, number),
    ];
  });
}

function drawPoint(gate, x, y, foot) {
  if (gate.time === null) return [];
  const at = x(gate.time), up = y(gate.level), kind = gate.problem ? "point doubtful" : "point";
  const found = [
    svgElement("path", { class: "drop", d: `M${at.toFixed(1)} ${up.toFixed(1)}V${foot}` }),
    svgElement("path", { class: kind, d: `M${at.toFixed(1)} ${(up - 7).toFixed(1)}l7 7l-7 7l-7 -7z` }),
    svgElement("path", { class: kind, d: `M${at.toFixed(1)} ${foot}l6 9h-12z` }),
  ];
  if (gate.second_time !== null) {
    found.push(svgElement("text", { class: "second", x: x(gate.second_time), y: y(gate.levels[0]) - 6, "text-anchor": "middle" }, "?"));
  }
  return found;
}

/** An arrow over the time of flight, from time zero or from the echo that it is counted from. */
function drawFlight(flight, start, x, level) {
  if (!flight) return [];
  const from = x(Math.max(flight[0], start)), to = x(flight[1]);
  const head = flight[0] >= start ? `M${(from + 6).toFixed(1)} ${level - 4}l-6 4l6 4` : "";
  return [svgElement("path", { class: "flight", d: `${head}M${from.toFixed(1)} ${level}H${to.toFixed(1)}m-6 -4l6 4l-6 4` })];
}

/** An A-scan in words, for those who do not see it. */
function inWords({ gates }) {
  return ["A-scan", ...gates.map((gate) => {
    if (gate.time === null) return `${gate.name}: ${gate.problem || "no echo"}`;
    return `${gate.name}: echo at ${gate.time.toFixed(3)} µs, ${gate.amplitude.toFixed(0)} %${gate.problem ? `, ${gate.problem}` : ""}`;
  })].join("; ");
}
