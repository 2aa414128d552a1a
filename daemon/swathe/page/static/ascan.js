// An A-scan with its gates, thresholds and measured points, as SVG.
import { frame, svgElement } from "./plot.js";

/** Return the plot of an A-scan as /cell gives it: `trace`, `gates`, `flight`. */
export function ascanPlot({ start, interval, samples, trace = samples, band_passed = false, gates = [], flight = null }) {
  const levels = gates.flatMap((gate) => gate.levels);
  const known = trace.filter((value) => value !== null);
  const low = Math.min(0, ...known, ...levels), high = Math.max(100, ...known, ...levels);
  const { svg, x, y, top, bottom } = frame(trace, {
    start, step: interval, low, high, across: "µs", up: "% of full screen height",
    title: spoken(band_passed, gates, flight),
  });
  gates.forEach((gate, number) => {
    const group = svgElement("g", { class: `gate gate-${number % 4}` });
    if (gate.begin !== null) {
      for (const level of gate.levels) {
        group.append(svgElement("path", {
          d: `M${x(gate.begin)} ${y(level) - 5}v10m0 -5H${x(gate.end)}m0 -5v10`, class: "bar",
        }));
      }
      group.append(svgElement("text", { x: x(gate.begin) + 4, y: y(gate.levels[0]) - 4 }, gate.name));
    }
    if (gate.time !== null) {
      group.append(svgElement("path", { d: `M${x(gate.time)} ${top}V${bottom}`, class: "time" }));
      group.append(svgElement("circle", { cx: x(gate.time), cy: y(gate.level ?? 0), r: 4.5, class: "point" }));
    }
    if (gate.second_time !== null) {
      const at = x(gate.second_time), level = y(gate.levels[0]);
      group.append(svgElement("path", { d: `M${at} ${top}V${bottom}`, class: "second" }));
      group.append(svgElement("path", { d: `M${at - 5} ${level - 5}l10 10m0 -10l-10 10`, class: "point" }));
    }
    svg.append(group);
  });
  if (flight) {
    const from = x(Math.max(flight[0], start)), to = x(flight[1]), level = bottom - 6;
    const head = flight[0] >= start ? `M${from + 5} ${level - 3}l-5 3l5 3` : "";
    svg.append(svgElement("path", {
      d: `${head}M${from} ${level}H${to}m-5 -3l5 3l-5 3`, class: "flight",
    }));
    svg.append(svgElement("text", { x: (from + to) / 2, y: level - 5, "text-anchor": "middle" },
      `${(flight[1] - flight[0]).toFixed(3)} µs`));
  }
  return svg;
}

function spoken(band_passed, gates, flight) {
  const parts = [`A-scan${band_passed ? " behind the band-pass" : ""}`];
  for (const gate of gates) {
    if (gate.time !== null) parts.push(`${gate.name} at ${gate.time.toFixed(3)} µs`);
    if (gate.second_time !== null) parts.push(`another echo at ${gate.second_time.toFixed(3)} µs`);
  }
  if (flight) parts.push(`time of flight ${(flight[1] - flight[0]).toFixed(3)} µs`);
  return parts.join(", ");
}
