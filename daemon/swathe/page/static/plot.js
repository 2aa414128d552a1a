// Small plots as SVG, which stay sharp on every screen.

const WIDTH = 560, HEIGHT = 200, LEFT = 46, RIGHT = 10, TOP = 10, BOTTOM = 40;

/** Return an SVG element. */
export function svgElement(name, attributes, text) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

/**
 * Return a plot of y over x.
 * @param points values of y, null where there is none.
 * @param options start and step of x; low and high of y; names of both; its accessible title;
 *   `here`, an x that is marked; `missing`, whether each point is a gap; `levels`, names and values of
 *   y that are drawn across; `ticks`, of y. A value beyond the axis is an arrow at its end.
 */
export function plot(points, options) {
  return frame(points, options).svg;
}

/** Return such a plot as `svg`, with `x` and `y` of its values and the `top` and `bottom` of its axes. */
export function frame(points, { start, step, low, high, across, up, title, here = null, missing = null, levels = [], ticks: marks = null }) {
  const last = start + step * Math.max(1, points.length - 1);
  const x = (at) => LEFT + ((at - start) / (last - start)) * (WIDTH - LEFT - RIGHT);
  const y = (at) => HEIGHT - BOTTOM - ((at - low) / (high - low)) * (HEIGHT - BOTTOM - TOP);
  const svg = svgElement("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, class: "plot", role: "img", "aria-label": title });
  if (missing) {
    for (const [first, end] of runs(missing)) {
      const from = x(start + step * (first - 0.5)), to = x(start + step * (end + 0.5));
      svg.append(svgElement("rect", { x: Math.max(LEFT, from), y: TOP, width: Math.max(2, to - Math.max(LEFT, from)), height: HEIGHT - TOP - BOTTOM, class: "missing" }));
    }
  }
  svg.append(svgElement("path", { d: `M${LEFT} ${TOP}V${HEIGHT - BOTTOM}H${WIDTH - RIGHT}`, class: "axis" }));
  for (const at of marks ?? ticks(low, high, 3)) {
    svg.append(svgElement("path", { d: `M${LEFT} ${y(at)}H${WIDTH - RIGHT}`, class: "axis", "stroke-opacity": 0.5 }));
    svg.append(svgElement("text", { x: LEFT - 6, y: y(at) + 4, "text-anchor": "end" }, short(at)));
  }
  for (const at of ticks(start, last, 5)) svg.append(svgElement("text", { x: x(at), y: HEIGHT - BOTTOM + 17, "text-anchor": "middle" }, short(at)));
  svg.append(svgElement("text", { x: WIDTH - RIGHT, y: HEIGHT - 6, "text-anchor": "end" }, across));
  svg.append(svgElement("text", { x: 4, y: HEIGHT - 6 }, up));
  for (const [name, value] of levels) {
    svg.append(svgElement("path", { d: `M${LEFT} ${y(value)}H${WIDTH - RIGHT}`, class: `level ${name}` }));
    svg.append(svgElement("text", { x: WIDTH - RIGHT - 4, y: y(value) - 4, "text-anchor": "end", class: `level ${name}` }, name));
  }
  let path = "", beyond = "";
  let drawing = false;
  points.forEach((value, k) => {
    if (value === null) { drawing = false; return; }
    const clipped = Math.max(low, Math.min(high, value));
    if (value !== clipped) beyond += `M${(x(start + k * step) - 4).toFixed(1)} ${(y(clipped) + (value < low ? -7 : 7)).toFixed(1)}h8l-4 ${value < low ? 7 : -7}z`;
    path += `${drawing ? "L" : "M"}${x(start + k * step).toFixed(1)} ${y(clipped).toFixed(1)}`;
    if (!drawing) path += "h0.1"; // a single point shows too
    drawing = true;
  });
  svg.append(svgElement("path", { d: path, class: "curve", "stroke-linecap": "round", "stroke-linejoin": "round" }));
  if (beyond) svg.append(svgElement("path", { d: beyond, class: "beyond" }));
  if (here !== null) svg.append(svgElement("path", { d: `M${x(here)} ${TOP}V${HEIGHT - BOTTOM}`, class: "here" }));
  return { svg, x, y, top: TOP, bottom: HEIGHT - BOTTOM };
}

const short = (value) => String(Number(value.toPrecision(6)));

function* runs(flags) {
  for (let k = 0; k < flags.length; k++) {
    if (!flags[k]) continue;
    const first = k;
    while (k + 1 < flags.length && flags[k + 1]) k++;
    yield [first, k];
  }
}

function ticks(low, high, about) {
  const raw = (high - low) / about;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = power * [1, 2, 5, 10].find((k) => k * power >= raw);
  const values = [];
  for (let k = Math.ceil(low / step); k * step <= high + 1e-9; k++) values.push(k * step);
  return values;
}
