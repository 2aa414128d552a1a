// The map: each change requests a frame, and a frame draws it. Input is handled in pointer.js.
import { PointerInput } from "./pointer.js";
import { drawOverlay } from "./overlay.js";
import { Theme } from "./theme.js";
import { pieces } from "./seam.js";
import { MapBlocks } from "./blocks.js";
import { Tiles, readPatch } from "./tiles.js";
import { View } from "./view.js";

export class MapView {
  #station; #canvas; #context; #frame = 0;

  /**
   * @param station the station's current data.
   * @param canvas on which the map is drawn.
   * @param onCell called with row and column of a tapped cell.
   */
  constructor(station, canvas, onCell) {
    this.#station = station;
    this.#canvas = canvas;
    this.#context = canvas.getContext("2d");
    this.onCell = onCell;
    this.onTheme = () => {};
    this.following = false;
    this.layers = "both";
    this.chosen = { clusters: [], cluster: null, cell: null, mark: null, draft: null, cross: false, pixelRatio: 1, textScale: 1 };
    this.dark = false;
    // While a zone is drawn: called with it, as extents in mm.
    this.drawing = null;
    station.on("plan", (plan) => this.#setPlan(plan));
    station.on("pixels", (patch) => this.#patch(patch));
    station.on("stale", () => { this.tiles?.markStale(); this.redraw(); });
    station.on("position", () => this.#moved());
    station.on("progress", () => this.redraw());
    station.on("connection", () => this.redraw());
    station.on("run", () => this.redraw());
    new ResizeObserver(() => this.#resize()).observe(canvas.parentElement);
    new PointerInput(this, canvas);
  }

  /** Draw a frame soon. */
  redraw() {
    if (!this.#frame) this.#frame = requestAnimationFrame(() => this.#draw());
  }

  setLayers(layers) {
    this.layers = layers;
    if (this.blocks) this.blocks.layers = layers;
    this.blocks?.invalidate();
    this.redraw();
  }

  setDark(dark) {
    this.dark = dark;
    if (!this.blocks) return;
    this.#makeTheme();
    this.blocks.invalidate();
    this.redraw();
  }

  centreOn(scan, index) {
    this.view?.centreOn(scan, index);
    this.redraw();
  }

  /** Centre a region, extents in mm; the larger part of one over the seam of a pipe. */
  centreOnRegion(scan, index) {
    const middle = (ends, axis) => {
      const [low, high] = pieces(ends, axis).sort((a, b) => b[1] - b[0] - (a[1] - a[0]))[0];
      return (low + high) / 2;
    };
    this.centreOn(middle(scan, this.plan.scan), middle(index, this.plan.index));
  }

  /** Show a region, marked with a name; index is null for all of the axis. */
  showRegion(name, scan, index) {
    if (!this.view) return;
    const down = index ?? [this.view.top, this.view.top + this.view.breadth];
    this.chosen.mark = { name, scan, index };
    this.centreOnRegion(scan, down);
    this.#canvas.scrollIntoView({ block: "center" });
  }

  fit() {
    this.view?.fit();
    this.redraw();
  }

  zoom(factor) {
    this.view?.zoom(factor);
    this.redraw();
  }

  #setPlan(plan) {
    const fixed = (one) => JSON.stringify({ ...one, trail: 0, heading: 0, session: 0, placing: 0 });
    const same = this.plan && fixed(this.plan) === fixed(plan);
    const moved = same && this.plan.session === plan.session && this.plan.placing !== plan.placing;
    this.plan = plan;
    if (same && !moved) {
      // After a lost connection the old tiles are shown until they are fetched again.
      this.tiles.markStale();
      this.redraw();
      return;
    }
    this.tiles?.stop();
    this.tiles = new Tiles(plan, (tile) => {
      this.blocks.tileLoaded(tile);
      this.redraw();
    });
    // Of a survey that was placed again no old tile is shown; the reader stays where he looks.
    if (!moved) this.view = new View(plan);
    this.blocks = null;
    this.#resize();
  }

  #makeTheme() {
    this.theme = new Theme(this.plan, this.dark, this.chosen.pixelRatio);
    if (this.blocks) this.blocks.theme = this.theme;
    this.onTheme(this.theme);
  }

  #patch(text) {
    if (!this.tiles) return;
    this.blocks?.markChanged(this.tiles.patch(readPatch(text)));
    this.redraw();
  }

  #moved() {
    const [scan, index] = this.#station.position;
    if (this.following && scan !== null && this.view) {
      const [x, y] = this.view.toPoint(scan, index ?? 0);
      const { width, height } = this.view;
      if (x < width * 0.3 || x > width * 0.7 || y < height * 0.3 || y > height * 0.7) {
        this.view.centreOn(scan, this.view.profile ? this.view.middle[1] : (index ?? 0));
      }
    }
    this.redraw();
  }

  #resize() {
    if (!this.view) return;
    const pixelRatio = window.devicePixelRatio || 1;
    const { width, height } = this.#canvas.parentElement.getBoundingClientRect();
    if (!width || !height) return;
    this.#canvas.width = Math.round(width * pixelRatio);
    this.#canvas.height = Math.round(height * pixelRatio);
    this.chosen.textScale = Math.max(1, parseFloat(getComputedStyle(document.documentElement).fontSize) / 17);
    const rescaled = this.chosen.pixelRatio !== pixelRatio;
    this.chosen.pixelRatio = pixelRatio;
    this.view.resize(this.#canvas.width, this.#canvas.height, Math.round(24 * pixelRatio * this.chosen.textScale));
    if (!this.blocks || rescaled) {
      this.#makeTheme();
      this.blocks ??= new MapBlocks(this.plan, this.tiles, this.theme);
      this.blocks.layers = this.layers;
    }
    this.redraw();
  }

  #draw() {
    this.#frame = 0;
    if (!this.blocks || !this.#canvas.width) return;
    const more = this.blocks.draw(this.#context, this.view);
    this.blocks.lastView = this.view.folded ? null : { x: this.view.x, y: this.view.y };
    const style = getComputedStyle(document.documentElement);
    const ink = {
      text: style.getPropertyValue("--ink"), halo: style.getPropertyValue("--card"),
      gap: style.getPropertyValue("--alarm"), ruler: style.getPropertyValue("--card"),
      probe: style.getPropertyValue("--deep"), trail: style.getPropertyValue("--deep"),
    };
    for (const section of this.view.sections) drawOverlay(this.#context, section, this.#station, this.chosen, ink);
    // The view, for programs that read the picture.
    const { view } = this;
    this.#canvas.dataset.view = [view.left, view.top, view.scale, view.down, view.x, view.y].join(" ");
    this.#canvas.dataset.sections = JSON.stringify((view.folded ?? []).map(({ atX, atY, width, height, from, to }) => [atX, atY, width, height, ...from, ...to]));
    this.#canvas.dataset.settled = String(!more && this.tiles.settled);
    if (more) this.redraw();
  }

  /** The cell at a point of the canvas, as row and column. */
  #cellAt(x, y) {
    const [scan, index] = this.view.toPosition(x, y);
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
    this.redraw();
  }
}
