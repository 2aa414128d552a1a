// The map: every change asks for a frame, and a frame draws it. What moves it stands in hands.js.
import { Hands } from "./hands.js";
import { drawOverlay } from "./overlay.js";
import { Looks } from "./looks.js";
import { Raster } from "./raster.js";
import { Tiles, readPatch } from "./tiles.js";
import { View } from "./view.js";

export class MapView {
  #board; #canvas; #context; #frame = 0;

  /**
   * @param board what is known.
   * @param canvas where it is drawn.
   * @param onCell called with row and column of a tapped cell.
   */
  constructor(board, canvas, onCell) {
    this.#board = board;
    this.#canvas = canvas;
    this.#context = canvas.getContext("2d");
    this.onCell = onCell;
    this.onRange = () => {};
    this.following = false;
    this.shows = "both";
    this.chosen = { clusters: [], cluster: null, cell: null, mark: null, draft: null, cross: false, sharpness: 1, letters: 1 };
    this.dark = false;
    // While a zone is drawn: takes it, as extents in mm.
    this.drawing = null;
    board.on("plan", (plan) => this.#take(plan));
    board.on("pixels", (patch) => this.#patch(patch));
    board.on("stale", () => { this.tiles?.makeOld(); this.ask(); });
    board.on("place", () => this.#moved());
    board.on("progress", () => this.ask());
    board.on("contact", () => this.ask());
    board.on("run", () => this.ask());
    new ResizeObserver(() => this.#resize()).observe(canvas.parentElement);
    new Hands(this, canvas);
  }

  /** Draw a frame soon. */
  ask() {
    if (!this.#frame) this.#frame = requestAnimationFrame(() => this.#draw());
  }

  setShows(what) {
    this.shows = what;
    if (this.raster) this.raster.shows = what;
    this.raster?.redo();
    this.ask();
  }

  setDark(dark) {
    this.dark = dark;
    if (!this.raster) return;
    this.#makeLooks();
    this.raster.redo();
    this.ask();
  }

  lookAt(scan, index) {
    this.view?.lookAt(scan, index);
    this.ask();
  }

  /** Show a place, marked with a name; index is null for all of it. */
  showPlace(name, scan, index) {
    if (!this.view) return;
    const down = index ?? [this.view.top, this.view.top + this.view.tall];
    this.chosen.mark = { name, scan, index };
    this.lookAt((scan[0] + scan[1]) / 2, (down[0] + down[1]) / 2);
    this.#canvas.scrollIntoView({ block: "center" });
  }

  fit() {
    this.view?.fit();
    this.ask();
  }

  zoom(factor) {
    this.view?.zoom(factor);
    this.ask();
  }

  #take(plan) {
    const same = this.plan && JSON.stringify({ ...this.plan, trail: 0, session: 0 }) === JSON.stringify({ ...plan, trail: 0, session: 0 });
    this.plan = plan;
    if (same) {
      // The station was away: what was kept is shown until it is fetched anew.
      this.tiles.makeOld();
      this.ask();
      return;
    }
    this.tiles?.stop();
    this.tiles = new Tiles(plan, (tile) => {
      if (tile.level === plan.levels.length - 1) this.#fitRange();
      this.raster.cameIn(tile);
      this.ask();
    });
    this.view = new View(plan);
    this.range = null;
    this.raster = null;
    this.#resize();
  }

  #makeLooks() {
    const range = this.looks && [this.looks.low, this.looks.high];
    this.looks = new Looks(this.plan, this.dark, this.chosen.sharpness);
    if (range) this.looks.setRange(...range);
    if (this.raster) this.raster.looks = this.looks;
    this.onRange(this.looks);
  }

  #patch(text) {
    if (!this.tiles) return;
    this.raster?.touch(this.tiles.patch(readPatch(text)));
    this.#fitRangeSoon();
    this.ask();
  }

  #fitRangeSoon() {
    this.rangeTimer ??= setTimeout(() => { this.rangeTimer = null; this.#fitRange(); }, 1000);
  }

  /** Spread the colours over what was measured; a few wild readings do not stretch them. */
  #fitRange() {
    const { plan } = this;
    const top = plan.levels.length - 1;
    const tile = this.tiles.get(top, 0, 0);
    if (!tile) return;
    const found = tile.thickness.filter((t) => t !== plan.no_thickness).sort();
    const pick = (share) => found[Math.round(share * (found.length - 1))] / plan.steps_per_mm;
    // A pit is a few cells only and sets the lower end; an echo from nowhere near it does not.
    const deepest = found.length ? found[0] / plan.steps_per_mm : Infinity;
    let low = found.length
      ? Math.min(pick(0.002), Math.max(deepest, (plan.nominal ?? 0) * 0.25))
      : (plan.alert_below ?? (plan.nominal ?? 10) * 0.6);
    let high = Math.max(found.length ? pick(0.998) : 0, plan.nominal ?? 0);
    if (high - low < 0.5) [low, high] = [low - 0.25, high + 0.25];
    const step = high - low > 4 ? 1 : 0.5;
    low = Math.max(0, Math.floor(low / step) * step);
    high = Math.ceil(high / step - 1e-9) * step;
    if (high <= low) high = low + step;
    if (this.range && low >= this.range[0] && high <= this.range[1]) return;
    this.range = this.range ? [Math.min(low, this.range[0]), Math.max(high, this.range[1])] : [low, high];
    this.looks.setRange(...this.range);
    this.raster.redo();
    this.onRange(this.looks);
    this.ask();
  }

  #moved() {
    const [scan, index] = this.#board.at;
    if (this.following && scan !== null && this.view) {
      const [x, y] = this.view.toPoint(scan, index ?? 0);
      const { width, height } = this.view;
      if (x < width * 0.3 || x > width * 0.7 || y < height * 0.3 || y > height * 0.7) {
        this.view.lookAt(scan, this.view.profile ? this.view.middle[1] : (index ?? 0));
      }
    }
    this.ask();
  }

  #resize() {
    if (!this.view) return;
    const sharpness = window.devicePixelRatio || 1;
    const { width, height } = this.#canvas.parentElement.getBoundingClientRect();
    if (!width || !height) return;
    this.#canvas.width = Math.round(width * sharpness);
    this.#canvas.height = Math.round(height * sharpness);
    this.chosen.letters = Math.max(1, parseFloat(getComputedStyle(document.documentElement).fontSize) / 17);
    const sharper = this.chosen.sharpness !== sharpness;
    this.chosen.sharpness = sharpness;
    this.view.resize(this.#canvas.width, this.#canvas.height, Math.round(24 * sharpness * this.chosen.letters));
    if (!this.raster || sharper) {
      this.#makeLooks();
      this.raster ??= new Raster(this.plan, this.tiles, this.looks);
      this.raster.shows = this.shows;
    }
    this.ask();
  }

  #draw() {
    this.#frame = 0;
    if (!this.raster || !this.#canvas.width) return;
    const more = this.raster.draw(this.#context, this.view);
    this.raster.lastView = { x: this.view.x, y: this.view.y };
    const style = getComputedStyle(document.documentElement);
    const ink = {
      text: style.getPropertyValue("--ink"), halo: style.getPropertyValue("--card"),
      gap: style.getPropertyValue("--alarm"), ruler: style.getPropertyValue("--card"),
      probe: style.getPropertyValue("--deep"), trail: style.getPropertyValue("--deep"),
    };
    drawOverlay(this.#context, this.view, this.#board, this.chosen, ink);
    // Where the map stands, for those who read the picture by machine.
    const { view } = this;
    this.#canvas.dataset.view = [view.left, view.top, view.scale, view.down, view.x, view.y].join(" ");
    this.#canvas.dataset.settled = String(!more && this.tiles.settled);
    if (more) this.ask();
  }

  /** The cell at a point of the sheet, as row and column. */
  #cellAt(x, y) {
    const [scan, index] = this.view.toPlace(x, y);
    const down = this.plan.index ?? { resolution: 1, cells: 1 };
    const column = Math.floor((scan - this.view.left) / this.plan.scan.resolution);
    const row = Math.floor((index - this.view.top) / down.resolution);
    const inside = row >= 0 && row < down.cells && column >= 0 && column < this.plan.scan.cells;
    return inside ? [row, column] : null;
  }

  tap(x, y) {
    this.chosen.mark = null;
    const cell = this.#cellAt(x, y);
    if (cell) this.onCell(...cell);
  }

  showCross(yes) {
    if (this.chosen.cross === yes) return;
    this.chosen.cross = yes;
    this.ask();
  }
}
