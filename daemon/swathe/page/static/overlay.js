// Drawn over the map: rulers, zones, gaps, trail, probe, minimum thickness, selected cell.
import { inInches, stretch, thick } from "./labels.js";
import { pieces } from "./seam.js";

const INCH = 25.4;

/** Draw everything over the map; `chosen` has what is selected, `ink` the colours. */
export function drawOverlay(context, view, station, chosen, ink) {
  const { plan } = station;
  context.save();
  context.translate(view.atX, view.atY);
  context.beginPath();
  context.rect(0, 0, view.width, view.height);
  context.clip();
  const unit = chosen.pixelRatio;
  context.lineJoin = "round";
  context.font = `600 ${13 * unit * chosen.textScale}px system-ui, sans-serif`;
  for (const zone of station.zones) drawZone(context, view, zone, unit, ink);
  drawTrail(context, view, station.trail, unit, ink);
  drawGaps(context, view, chosen.clusters, chosen.cluster, unit, ink);
  drawMinimum(context, view, station.progress, unit, ink);
  if (chosen.mark) drawMark(context, view, chosen.mark, unit, ink);
  if (chosen.draft) drawDraft(context, view, chosen.draft, unit, ink);
  if (chosen.cell) drawCell(context, view, plan, chosen.cell, unit, ink);
  if (plan.probes?.length) drawCarriage(context, view, station, unit, ink);
  else drawProbe(context, view, station.position, unit, ink);
  drawDatum(context, view, unit, ink);
  drawRulers(context, view, unit, ink, chosen.textScale);
  if (chosen.cross) drawCross(context, view, unit, ink);
  context.restore();
}

/** The parts of a region: several where it is over the seam of a pipe. */
function rectangles(view, scan, index) {
  const downs = index === null || view.profile ? [null] : pieces(index, view.axes.index);
  return (scan ? pieces(scan, view.axes.scan) : [null]).flatMap((across) => downs.map((down) => rectangle(view, across, down)));
}

/** Corner and size in points; null for all of an axis. */
function rectangle(view, scan, index) {
  const [x, y] = view.toPoint(scan ? scan[0] : view.left, index ? index[0] : view.top);
  const [right, bottom] = view.toPoint(scan ? scan[1] : view.left + view.length, index ? index[1] : view.top + view.breadth);
  return [x, y, right - x, bottom - y];
}

const isVisible = (view, x, y, width, height) =>
  x < view.width && y < view.height && x + width > view.rulers && y + height > view.rulers;

/** Stroke a line that is visible on every background. */
function haloed(context, width, ink, colour) {
  context.strokeStyle = ink.halo;
  context.lineWidth = width * 2.2;
  context.stroke();
  context.strokeStyle = colour;
  context.lineWidth = width;
  context.stroke();
}

function label(context, text, x, y, unit, ink, view) {
  const width = context.measureText(text).width;
  const left = Math.max(view.rulers + 2 * unit, Math.min(x, view.width - width - 8 * unit));
  const base = Math.max(view.rulers + 16 * unit, Math.min(y, view.height - 6 * unit));
  context.lineWidth = 4 * unit;
  context.strokeStyle = ink.halo;
  context.strokeText(text, left, base);
  context.fillStyle = ink.text;
  context.fillText(text, left, base);
}

function drawZone(context, view, zone, unit, ink) {
  const [[x, y, width, height]] = rectangles(view, zone.scan, zone.index);
  if (!isVisible(view, x, y, width, height)) return;
  const needed = context.measureText(zone.name).width + 12 * unit;
  if (width > needed && height > 24 * unit) label(context, zone.name, x + 6 * unit, y + height / 2, unit, ink, view);
}

/** Draw the path of the last seconds, fading with age. */
function drawTrail(context, view, trail, unit, ink) {
  const points = trail.map(([scan, index]) => view.toPoint(scan, view.profile ? view.top + view.breadth / 2 : index));
  context.strokeStyle = ink.text;
  context.lineWidth = 1.8 * unit;
  const pieces = 4, long = Math.ceil((points.length - 1) / pieces);
  for (let piece = 0; piece < pieces; piece++) {
    const some = points.slice(piece * long, (piece + 1) * long + 1);
    if (some.length < 2) continue;
    context.globalAlpha = 0.25 + (0.65 * piece) / (pieces - 1);
    context.beginPath();
    some.forEach(([x, y], k) => (k ? context.lineTo(x, y) : context.moveTo(x, y)));
    context.stroke();
  }
  context.globalAlpha = 1;
}

function drawGaps(context, view, clusters, chosen, unit, ink) {
  const minimum = 9 * unit;
  for (const cluster of clusters) {
    const selected = chosen && cluster.key === chosen.key;
    for (let [x, y, width, height] of rectangles(view, cluster.scan, cluster.index)) {
      // A small gap stays visible.
      if (width < minimum) [x, width] = [x + width / 2 - minimum / 2, minimum];
      if (height < minimum) [y, height] = [y + height / 2 - minimum / 2, minimum];
      if (!isVisible(view, x, y, width, height)) continue;
      context.beginPath();
      const out = (selected ? 5 : 1.5) * unit;
      context.rect(x - out, y - out, width + 2 * out, height + 2 * out);
      haloed(context, (selected ? 4 : 1.8) * unit, ink, ink.gap);
      if (selected) label(context, `gap ${cluster.name}`, x, y - 12 * unit, unit, ink, view);
    }
  }
}

/** Draw a region that an alarm or the next step names. */
function drawMark(context, view, mark, unit, ink) {
  const minimum = 14 * unit;
  for (let [x, y, width, height] of rectangles(view, mark.scan, mark.index)) {
    if (width < minimum) [x, width] = [x + width / 2 - minimum / 2, minimum];
    if (height < minimum) [y, height] = [y + height / 2 - minimum / 2, minimum];
    if (view.from && !isVisible(view, x, y, width, height)) continue; // it is in another section
    const out = 7 * unit;
    context.beginPath();
    context.rect(x - out, y - out, width + 2 * out, height + 2 * out);
    haloed(context, 4 * unit, ink, ink.text);
    label(context, mark.name, x, y - 14 * unit, unit, ink, view);
  }
}

/** Draw a zone that is being drawn. */
function drawDraft(context, view, draft, unit, ink) {
  const [x, y, width, height] = rectangle(view, draft.scan, view.profile ? null : draft.index);
  context.fillStyle = ink.gap;
  context.globalAlpha = 0.25;
  context.fillRect(x, y, width, height);
  context.globalAlpha = 1;
  context.setLineDash([8 * unit, 5 * unit]);
  context.beginPath();
  context.rect(x, y, width, height);
  haloed(context, 3 * unit, ink, ink.gap);
  context.setLineDash([]);
}

function drawMinimum(context, view, progress, unit, ink) {
  if (!progress || progress.minimum === null) return;
  const [x, y] = view.toPoint(progress.minimum_scan, progress.minimum_index ?? 0);
  const s = 9 * unit;
  if (!isVisible(view, x - s, y - 2 * s, 2 * s, 3 * s)) return;
  context.beginPath();
  context.moveTo(x, y);
  context.lineTo(x - s, y - 1.7 * s);
  context.lineTo(x + s, y - 1.7 * s);
  context.closePath();
  context.fillStyle = ink.text;
  context.fill();
  haloed(context, 1.5 * unit, { halo: ink.text }, ink.halo);
  label(context, thick(progress.minimum), x + 1.3 * s, y - 0.5 * s, unit, ink, view);
}

function drawCell(context, view, plan, [row, column], unit, ink) {
  const down = plan.index ?? { resolution: 1 };
  const scan = view.left + column * plan.scan.resolution, index = view.top + row * down.resolution;
  const [x, y, width, height] = rectangle(
    view, [scan, scan + plan.scan.resolution], [index, index + down.resolution],
  );
  const grown = Math.max(0, 8 * unit - Math.min(width, height)) / 2;
  context.beginPath();
  context.rect(x - grown, y - grown, width + 2 * grown, height + 2 * grown);
  haloed(context, 2.5 * unit, ink, ink.text);
}

function drawProbe(context, view, [scan, index], unit, ink) {
  if (scan === null) return;
  const [x, y] = view.toPoint(scan, view.profile ? view.top + view.breadth / 2 : (index ?? 0));
  context.beginPath();
  context.arc(x, y, 10 * unit, 0, 7);
  haloed(context, 4 * unit, ink, ink.probe);
  context.beginPath();
  context.arc(x, y, 2.5 * unit, 0, 7);
  context.fillStyle = ink.probe;
  context.fill();
}

/** Draw the datum as a cross, turned with the carriage, and each probe: full with an echo, crossed without one. */
function drawCarriage(context, view, { plan, position: [scan, index], heading, progress }, unit, ink) {
  if (scan === null) return;
  // Where it is turned by an angle that is not known, nobody knows where its probes are.
  const angle = plan.turns ? heading : 0;
  const [cosine, sine] = [Math.cos, Math.sin].map((of) => of(((angle ?? 0) * Math.PI) / 180));
  const turned = (along, across) => [along * cosine - across * sine, along * sine + across * cosine];
  const r = 5 * unit;
  const middle = view.top + view.breadth / 2;
  const at = (along, across) => view.toPoint(onto(scan + along, plan.scan), view.profile ? middle : onto((index ?? 0) + across, plan.index));
  const cross = (x, y, s) => {
    context.beginPath();
    context.moveTo(x - s, y - s);
    context.lineTo(x + s, y + s);
    context.moveTo(x - s, y + s);
    context.lineTo(x + s, y - s);
    haloed(context, 2 * unit, ink, ink.probe);
  };
  const [x0, y0] = at(0, 0);
  context.beginPath();
  for (const [along, across] of [turned(2 * r, 0), turned(0, 2 * r)]) {
    context.moveTo(x0 - along, y0 - across);
    context.lineTo(x0 + along, y0 + across);
  }
  haloed(context, 1.5 * unit, ink, ink.text);
  if (angle === null) return;
  plan.probes.forEach((probe, k) => {
    const [x, y] = at(...turned(probe.scan, probe.index));
    const state = progress?.probes?.[k]?.state;
    context.beginPath();
    context.arc(x, y, r, 0, 7);
    haloed(context, 2 * unit, ink, ink.probe);
    if (state === "echo") {
      context.fillStyle = ink.probe;
      context.fill();
    } else if (state) cross(x, y, r);
  });
}

/** A position as it reads on its axis: round a pipe within one turn. */
function onto(position, axis) {
  if (!axis?.wrapped) return position;
  const turn = axis.cells * axis.resolution;
  return axis.start + ((((position - axis.start) % turn) + turn) % turn);
}

function drawCross(context, view, unit, ink) {
  const x = view.width / 2, y = view.height / 2, s = 16 * unit;
  context.beginPath();
  context.moveTo(x - s, y);
  context.lineTo(x + s, y);
  context.moveTo(x, y - s);
  context.lineTo(x, y + s);
  haloed(context, 2 * unit, ink, ink.text);
}

/** Draw the corner that the positions are counted from: a triangle where both axes are 0. */
function drawDatum(context, view, unit, ink) {
  const [x, y] = view.profile ? view.toPoint(0, view.top) : view.toPoint(0, 0);
  if (!isVisible(view, x, y, unit, unit)) return;
  context.beginPath();
  context.moveTo(x, y);
  context.lineTo(x + 11 * unit, y);
  context.lineTo(x, y + 11 * unit);
  context.closePath();
  context.fillStyle = ink.text;
  context.fill();
  haloed(context, 1.2 * unit, ink, ink.text);
}

/** Name, unit and direction of an axis, with what its far end is called. */
function axisName(name, view, k) {
  const { resolution, high_end: far } = view.axes[name];
  const low = [view.left, view.top][k], high = low + [view.length, view.breadth][k];
  const { from, to } = view;
  // A section states from where to where it is; the far end's name is at the last one.
  const cut = from && (from[k] > low + resolution / 2 || to[k] < high - resolution / 2);
  const part = cut ? ` ${stretch(from[k] + resolution / 2, to[k] - resolution / 2, resolution)}` : `, ${inInches() ? "in" : "mm"}`;
  const isLast = !cut || to[k] >= high - resolution / 2;
  return `${name}${part} →${far && isLast ? ` ${far}` : ""}`;
}

/** Draw rulers along the upper and the left edge, in mm or inches. */
function drawRulers(context, view, unit, ink, textScale) {
  const thickness = view.rulers;
  const per = inInches() ? INCH : 1;
  context.fillStyle = ink.ruler;
  context.fillRect(0, 0, view.width, thickness);
  context.fillRect(0, 0, thickness, view.height);
  context.fillStyle = context.strokeStyle = ink.text;
  context.lineWidth = unit;
  context.font = `${12 * unit * textScale}px system-ui, sans-serif`;
  context.beginPath();
  const step = tickStep((80 * unit * textScale) / (view.scale * per));
  const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const [scan0, index0] = view.toPosition(thickness, thickness);
  const [scan1, index1] = view.toPosition(view.width, view.height);
  const last1 = view.to ?? [view.left + view.length, view.top + view.breadth];
  const ends = [Math.min(scan1, last1[0]), Math.min(index1, last1[1])];
  const across = axisName("scan", view, 0), down = view.profile ? "" : axisName("index", view, 1);
  const font = `${12 * unit * textScale}px system-ui, sans-serif`, bold = `600 ${font}`;
  const room = (text) => {
    context.font = bold;
    const wide = context.measureText(text).width + 10 * unit;
    context.font = font;
    return wide;
  };
  const figure = (mm) => context.measureText(Math.max(1000, mm / per).toFixed(digits)).width;
  const last = view.width - room(across) - figure(ends[0]);
  const lowest = view.height - room(down) - figure(ends[1]);
  for (let k = Math.ceil(Math.max(scan0, view.left) / per / step); k * step * per <= ends[0]; k++) {
    const [x] = view.toPoint(k * step * per, 0);
    context.moveTo(x, thickness * 0.62);
    context.lineTo(x, thickness);
    if (x < last) context.fillText((k * step).toFixed(digits), x + 3 * unit, thickness * 0.7);
  }
  if (!view.profile) {
    for (let k = Math.ceil(Math.max(index0, view.top) / per / step); k * step * per <= ends[1]; k++) {
      const [, y] = view.toPoint(0, k * step * per);
      context.moveTo(thickness * 0.62, y);
      context.lineTo(thickness, y);
      context.save();
      context.translate(thickness * 0.7, y + 3 * unit);
      context.rotate(Math.PI / 2);
      if (y < lowest) context.fillText((k * step).toFixed(digits), 0, 0);
      context.restore();
    }
  }
  context.font = bold;
  if (room(across) < view.width - thickness) context.fillText(across, view.width - room(across) + 6 * unit, thickness * 0.7);
  if (!view.profile && room(down) < view.height - thickness) {
    // Read along the axis, as its figures are.
    context.save();
    context.translate(thickness * 0.4, view.height - room(down) + 6 * unit);
    context.rotate(Math.PI / 2);
    context.fillText(down, 0, 0);
    context.restore();
  }
  context.stroke();
  context.clearRect(0, 0, thickness, thickness);
  context.fillStyle = ink.ruler;
  context.fillRect(0, 0, thickness, thickness);
  context.fillStyle = ink.text;
}

/** The smallest 1, 2 or 5 × 10ⁿ that is `minimum` or more. */
function tickStep(minimum) {
  const power = 10 ** Math.floor(Math.log10(minimum));
  return power * ([1, 2, 5, 10].find((k) => k * power >= minimum) ?? 10);
}
