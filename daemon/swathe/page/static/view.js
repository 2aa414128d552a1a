// Where the map is looked at: which mm lie where on the screen. Along a line profile, whose index
// axis has no length, a mm of the index axis is drawn as tall as the sheet allows.

const MOST_POINTS_A_CELL = 60;

export class View {
  /** @param plan the station's plan. */
  constructor(plan) {
    const { scan, index } = plan;
    this.profile = index === null;
    const down = index ?? { start: 0, resolution: 1, cells: 1 };
    this.left = scan.start - scan.resolution / 2;
    this.top = down.start - down.resolution / 2;
    this.long = scan.resolution * scan.cells;
    this.tall = down.resolution * down.cells;
    this.finest = Math.min(scan.resolution, down.resolution);
    this.scale = 1; // points of the screen a mm, along the scan axis
    this.x = 0; // map points left of the sheet
    this.y = 0;
    this.width = this.height = 1;
    this.fitted = true;
  }

  /** Points a mm along the index axis. */
  get down() {
    return this.profile ? (this.height * 0.4) / this.tall : this.scale;
  }

  /** The sheet has another size, in points, and so much of it is taken by rulers. */
  resize(width, height, rulers) {
    const middle = this.middle;
    [this.width, this.height, this.rulers] = [width, height, rulers];
    if (this.fitted) this.fit();
    else this.lookAt(...middle);
  }

  get leastScale() {
    const room = this.width - this.rulers * 1.5;
    const scale = room / this.long;
    return this.profile ? scale : Math.min(scale, (this.height - this.rulers * 1.5) / this.tall);
  }

  get middle() {
    return this.toPlace(this.width / 2, this.height / 2);
  }

  /** Show the whole part. */
  fit() {
    this.scale = this.leastScale;
    this.lookAt(this.left + this.long / 2, this.top + this.tall / 2);
    this.fitted = true;
  }

  /** Put a place into the middle. */
  lookAt(scan, index) {
    this.x = (scan - this.left) * this.scale - this.width / 2;
    this.y = (index - this.top) * this.down - this.height / 2;
    this.#keepInSight();
    this.fitted = false;
  }

  pan(right, down) {
    this.x += right;
    this.y += down;
    this.#keepInSight();
    this.fitted = false;
  }

  /** Zoom by a factor; what is at (x, y) stays there. */
  zoom(factor, x = this.width / 2, y = this.height / 2) {
    const [scan, index] = this.toPlace(x, y);
    const most = Math.max(MOST_POINTS_A_CELL / this.finest, this.leastScale);
    this.scale = Math.min(most, Math.max(this.leastScale, this.scale * factor));
    this.x = (scan - this.left) * this.scale - x;
    this.y = (index - this.top) * this.down - y;
    this.#keepInSight();
    this.fitted = this.scale <= this.leastScale * 1.0001;
    if (this.fitted) this.fit();
  }

  /** The place at a point of the sheet, mm. */
  toPlace(x, y) {
    return [this.left + (this.x + x) / this.scale, this.top + (this.y + y) / this.down];
  }

  /** The point of the sheet at a place. */
  toPoint(scan, index) {
    return [(scan - this.left) * this.scale - this.x, (index - this.top) * this.down - this.y];
  }

  #keepInSight() {
    this.x = kept(this.x, this.long * this.scale, this.width, this.rulers);
    this.y = kept(this.y, this.tall * this.down, this.height, this.rulers);
  }
}

/** Where a smaller map stands in the middle, and a larger one fills the sheet. */
function kept(at, size, room, rulers = 0) {
  const edge = rulers * 1.2;
  if (size <= room - edge) return Math.round(-(room - size) / 2 - rulers / 3);
  return Math.round(Math.max(-edge, Math.min(at, size - room + rulers)));
}
