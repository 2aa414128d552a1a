// A part that is much longer than it is wide would be a thin strip: the view of the whole part shows it
// in sections of its long axis, one below or next to the other, all in one scale and direction.

const MOST_SECTIONS = 24;
const SPACE = 0.35; // between two sections, of the width of a ruler
const EDGE = 0.1; // after a section's end, likewise
// It must be drawn so much larger for it.
const GAIN = 1.3;

/** A section of a view: where it is on the canvas, and what it shows. */
class Section {
  constructor(view, { at, size, from, to, scale }) {
    const { axes, profile, left, top, length, breadth, rulers } = view;
    // Of the map itself: without it the part after the section would be drawn, too.
    this.mapWidth = rulers + (to[0] - from[0]) * scale;
    this.mapHeight = rulers + (to[1] - from[1]) * scale;
    Object.assign(this, { axes, profile, left, top, length, breadth, rulers, scale, down: scale, from, to });
    [this.atX, this.atY] = at;
    [this.width, this.height] = size;
    // Map points left of and above the section, as those of a view.
    this.x = (from[0] - left) * scale - rulers;
    this.y = (from[1] - top) * scale - rulers;
  }

  toPosition(x, y) {
    return [this.left + (this.x + x) / this.scale, this.top + (this.y + y) / this.scale];
  }

  toPoint(scan, index) {
    return [(scan - this.left) * this.scale - this.x, (index - this.top) * this.scale - this.y];
  }
}

/** The sections in which a view shows the whole part; null where it is not cut. */
export function fold(view, single) {
  if (view.profile) return null;
  const { width, height, rulers, length, breadth } = view;
  const tall = breadth > length;
  const [long, short, along, across] = tall ? [breadth, length, height, width] : [length, breadth, width, height];
  const cell = tall ? view.axes.index.resolution : view.axes.scan.resolution;
  const space = rulers * SPACE, edge = rulers * EDGE;
  let best = null;
  for (let n = 2; n <= MOST_SECTIONS; n++) {
    const part = Math.ceil(long / cell / n) * cell;
    const scale = Math.min((along - rulers - edge) / part, ((across - (n - 1) * space) / n - rulers - edge) / short);
    if (scale > (best?.scale ?? single * GAIN)) best = { n, part, scale };
  }
  if (!best) return null;
  const { part, scale } = best;
  const thick = rulers + short * scale + edge;
  const count = Math.ceil(long / part - 1e-9);
  const before = Math.max(0, (across - count * thick - (count - 1) * space) / 2);
  return Array.from({ length: count }, (_, k) => {
    const from = k * part, to = Math.min(long, from + part);
    const at = Math.round(before + k * (thick + space));
    const size = rulers + (to - from) * scale + edge;
    const ends = ([low, high]) => tall
      ? [[view.left, view.top + low], [view.left + short, view.top + high]]
      : [[view.left + low, view.top], [view.left + high, view.top + short]];
    const [start, end] = ends([from, to]);
    return new Section(view, {
      at: tall ? [at, 0] : [0, at], size: tall ? [thick, size] : [size, thick], from: start, to: end, scale,
    });
  });
}
