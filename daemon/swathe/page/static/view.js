// The map's view: converts between mm on the part and points of the canvas. A line profile, whose
// index axis has no length, is drawn as tall as the canvas allows.

import { fold } from "./fold.js";

const MAX_POINTS_PER_CELL = 60;

export class View {
  /** @param plan the station's plan. */
  constructor(plan) {
    const { scan, index } = plan;
    this.axes = { scan, index };
    this.profile = index === null;
    const down = index ?? { start: 0, resolution: 1, cells: 1 };
    this.left = scan.start - scan.resolution / 2;
    this.top = down.start - down.resolution / 2;
    this.length = scan.resolution * scan.cells;
    this.breadth = down.resolution * down.cells;
    this.finest = Math.min(scan.resolution, down.resolution);
    this.scale = 1; // points per mm along the scan axis
    this.x = 0; // map points left of the canvas
    this.y = 0;
    this.width = this.height = 1;
    this.fitted = true;
    // Where the whole part is shown in sections: these; else null.
    this.folded = null;
  }

  /** What is drawn: the sections, or the view itself. */
  get sections() {
    return this.folded ?? [this];
  }

  get atX() { return 0; }
  get atY() { return 0; }
  get mapWidth() { return this.width; }
  get mapHeight() { return this.height; }

  /** Points per mm along the index axis. */
  get down() {
    return this.profile ? (this.height * 0.4) / this.breadth : this.scale;
  }

  /** Set the canvas size and the width of the rulers, in points. */
  resize(width, height, rulers) {
    const middle = this.middle;
    [this.width, this.height, this.rulers] = [width, height, rulers];
    if (this.fitted) this.fit();
    else this.centreOn(...middle);
  }

  get minimumScale() {
    return fold(this, this.#stripScale)?.[0].scale ?? this.#stripScale;
  }

  /** The scale at which the whole part is seen in one piece. */
  get #stripScale() {
    const scale = (this.width - this.rulers * 1.5) / this.length;
    return this.profile ? scale : Math.min(scale, (this.height - this.rulers * 1.5) / this.breadth);
  }

  get middle() {
    return this.toPosition(this.width / 2, this.height / 2);
  }

  /** Show the whole part. */
  fit() {
    this.folded = null;
    this.scale = this.minimumScale;
    this.centreOn(this.left + this.length / 2, this.top + this.breadth / 2);
    this.fitted = true;
    this.folded = fold(this, this.#stripScale);
  }

  /** Centre a position; of a part in sections all of it is seen. */
  centreOn(scan, index) {
    if (this.folded) return;
    this.x = (scan - this.left) * this.scale - this.width / 2;
    this.y = (index - this.top) * this.down - this.height / 2;
    this.#clampToSheet();
    this.fitted = false;
  }

  pan(right, down) {
    if (this.folded) return;
    this.x += right;
    this.y += down;
    this.#clampToSheet();
    this.fitted = false;
  }

  /** Zoom by a factor about (x, y). */
  zoom(factor, x = this.width / 2, y = this.height / 2) {
    const [scan, index] = this.toPosition(x, y);
    const maximum = Math.max(MAX_POINTS_PER_CELL / this.finest, this.minimumScale);
    this.scale = Math.min(maximum, Math.max(this.minimumScale, this.scale * factor));
    this.x = (scan - this.left) * this.scale - x;
    this.y = (index - this.top) * this.down - y;
    this.#clampToSheet();
    this.fitted = this.scale <= this.minimumScale * 1.0001;
    this.folded = null;
    if (this.fitted) this.fit();
  }

  /** The position at a point of the canvas, mm. */
  toPosition(x, y) {
    if (this.folded) {
      const section = this.#sectionAt(x, y);
      return section.toPosition(x - section.atX, y - section.atY);
    }
    return [this.left + (this.x + x) / this.scale, this.top + (this.y + y) / this.down];
  }

  /** The point of the canvas at a position. */
  toPoint(scan, index) {
    if (this.folded) {
      const inside = (one) => one.from[0] <= scan && scan <= one.to[0] && one.from[1] <= index && index <= one.to[1];
      const section = this.folded.find(inside) ?? this.folded[0];
      const [x, y] = section.toPoint(scan, index);
      return [x + section.atX, y + section.atY];
    }
    return [(scan - this.left) * this.scale - this.x, (index - this.top) * this.down - this.y];
  }

  /** The section at a point of the canvas, or the nearest one. */
  #sectionAt(x, y) {
    const away = (one) => Math.max(one.atX - x, x - one.atX - one.width, one.atY - y, y - one.atY - one.height);
    return this.folded.reduce((near, one) => (away(one) < away(near) ? one : near));
  }

  #clampToSheet() {
    this.x = clamp(this.x, this.length * this.scale, this.width, this.rulers);
    this.y = clamp(this.y, this.breadth * this.down, this.height, this.rulers);
  }
}

/** Return an offset at which a smaller map is centred and a larger one fills the canvas. */
function clamp(at, size, available, rulers = 0) {
  const edge = rulers * 1.2;
  if (size <= available - edge) return Math.round(-(available - size) / 2 - rulers / 3);
  return Math.round(Math.max(-edge, Math.min(at, size - available + rulers)));
}
