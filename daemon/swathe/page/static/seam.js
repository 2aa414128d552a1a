// Circumferences: positions on a wrapped axis, their distance the short way, and extents over its seam.

// Borders that are closer than this are the same, mm.
const SAME_MM = 0.0005;

/** From where to where positions of an axis read, mm; null where it is no circumference. */
const turnOf = (axis) => (axis?.wrapped ? [axis.start, axis.start + axis.cells * axis.resolution] : null);

const modulo = (value, length) => ((value % length) + length) % length;

/** How far a position is outside an extent, mm: below zero before it; round a pipe the short way. */
export function offset(at, [low, high], axis) {
  const turn = turnOf(axis);
  if (!turn) return at < low ? low - at : at > high ? high - at : 0;
  const length = turn[1] - turn[0];
  const past = modulo(at - low, length), beyond = past - (high - low);
  if (beyond <= 0) return 0;
  return beyond <= length - past ? -beyond : length - past;
}

/** An extent as its positions read, mm: one over the seam has the lower figure last. */
export function reading([low, high], axis) {
  const turn = turnOf(axis);
  if (!turn) return [low, high];
  const length = turn[1] - turn[0];
  if (high - low >= length - SAME_MM) return turn;
  const [from, to] = [low, high].map((border) => turn[0] + modulo(border - turn[0], length));
  return [from, to - turn[0] < SAME_MM ? turn[1] : to];
}

/** The parts of an extent as a map of the axis shows them, mm: two over its edge, else one. */
export function pieces([low, high], axis) {
  const turn = turnOf(axis);
  if (!turn) return [[low, high]];
  const length = turn[1] - turn[0], left = axis.start - axis.resolution / 2, right = left + length;
  if (high - low >= length - SAME_MM) return [[left, right]];
  const from = left + modulo(low - left, length), to = from + high - low;
  return to <= right + SAME_MM ? [[from, to]] : [[from, right], [left, to - length]];
}
