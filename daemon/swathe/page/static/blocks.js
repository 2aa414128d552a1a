// The map's pixels on the screen, in blocks that are rendered once and moved: a pan renders no
// block again, a changed cell only its own.
import { Tiles } from "./tiles.js";

const SIDE = 256; // points of a block's side
const BUDGET_MS = 10; // of rendering blocks, per frame
const CELL_LINES = 14; // points per cell from which on fine lines separate cells

export class MapBlocks {
  #plan; #tiles; #blocks = new Map(); #scale = 0; #down = 0; #level = 0; #old = null;

  constructor(plan, tiles, theme) {
    this.#plan = plan;
    this.#tiles = tiles;
    this.theme = theme;
    this.layers = "both";
  }

  /** Render every block again, as after a change of theme or colour range. */
  invalidate() {
    for (const block of this.#blocks.values()) block.dirty = true;
  }

  /** Mark the blocks that a patch changed; borders by level. */
  markChanged(borders) {
    const changed = borders[this.#level];
    if (changed) this.#mark(this.#level, ...changed);
  }

  /** Mark the blocks of a loaded tile. */
  tileLoaded(tile) {
    if (tile.level < this.#level) return;
    const size = this.#plan.tile;
    const row = tile.row * size, column = tile.column * size;
    this.#mark(tile.level, row, row + tile.height - 1, column, column + tile.width - 1);
  }

  #mark(level, top, bottom, left, right) {
    const [, , tall, wide] = this.#plan.levels[level];
    const { scan, index } = this.#plan;
    const across = this.#scale * scan.resolution * wide;
    const down = this.#down * (index?.resolution ?? 1) * tall;
    const first = Math.floor((left * across) / SIDE), last = Math.floor(((right + 1) * across) / SIDE);
    const high = Math.floor((top * down) / SIDE), low = Math.floor(((bottom + 1) * down) / SIDE);
    for (const block of this.#blocks.values()) {
      if (block.x >= first && block.x <= last && block.y >= high && block.y <= low) block.dirty = true;
    }
  }

  /** The finest level whose pixels are no smaller than a point of the screen. */
  #levelFor(view) {
    const { levels, scan, index } = this.#plan;
    const across = view.scale * scan.resolution;
    const down = view.down * (index?.resolution ?? 1);
    const fits = levels.findIndex(
      ([rows, columns, tall, wide]) =>
        (across * wide >= 0.999 || columns === 1) && (down * tall >= 0.999 || rows === 1),
    );
    return fits < 0 ? levels.length - 1 : fits;
  }

  /** Draw the map in a view, or in each of its sections; returns whether a further frame is needed. */
  draw(context, whole) {
    const view = whole.sections[0];
    if (view.scale !== this.#scale || view.down !== this.#down) {
      this.#keepOld(context, view);
      this.#blocks.clear();
      this.#scale = view.scale;
      this.#down = view.down;
      this.#level = this.#levelFor(view);
    }
    const end = performance.now() + BUDGET_MS;
    context.clearRect(0, 0, whole.width, whole.height);
    const keys = new Set();
    let missing = 0;
    const seen = whole.sections.map((section) => {
      const { shown, lacking, range } = this.#find(section, end);
      missing += lacking;
      context.save();
      context.translate(section.atX, section.atY);
      context.beginPath();
      context.rect(0, 0, section.mapWidth, section.mapHeight);
      context.clip();
      const left = Math.round(section.x), top = Math.round(section.y);
      if (lacking && !whole.folded) this.#drawOld(context, section);
      for (const block of shown) context.drawImage(block.canvas, block.x * SIDE - left, block.y * SIDE - top);
      context.restore();
      for (const key of this.#tilesOf(section, left, top)) keys.add(key);
      return range;
    });
    if (!missing || whole.folded) this.#old = null;
    const bound = (k, pick) => pick(...seen.map((range) => range[k]));
    this.#dropFar(bound(0, Math.min), bound(1, Math.max), bound(2, Math.min), bound(3, Math.max));
    this.#tiles.request([...keys]);
    return missing > 0;
  }

  /** The blocks of a view, how many are not rendered yet, and their range. */
  #find(view, end) {
    const left = Math.round(view.x), top = Math.round(view.y);
    const lastX = Math.floor((Math.min(left + view.width, view.length * view.scale) - 1) / SIDE);
    const lastY = Math.floor((Math.min(top + view.height, view.breadth * view.down) - 1) / SIDE);
    const firstX = Math.max(0, Math.floor(left / SIDE)), firstY = Math.max(0, Math.floor(top / SIDE));
    const shown = [];
    let lacking = 0;
    for (let y = firstY; y <= lastY; y++) {
      for (let x = firstX; x <= lastX; x++) {
        let block = this.#blocks.get(`${x},${y}`);
        if (!block || block.dirty) {
          if (performance.now() < end) block = this.#render(x, y, block);
          else lacking++;
        }
        if (block) shown.push(block);
      }
    }
    return { shown, lacking, range: [firstX, lastX, firstY, lastY] };
  }

  /** Keep the last picture, which is shown stretched until the new scale is rendered. */
  #keepOld(context, view) {
    if (!this.#scale || !this.#blocks.size) return;
    const copy = document.createElement("canvas");
    copy.width = context.canvas.width;
    copy.height = context.canvas.height;
    copy.getContext("2d").drawImage(context.canvas, 0, 0);
    const last = this.lastView ?? { x: view.x, y: view.y };
    this.#old = { canvas: copy, scale: this.#scale, down: this.#down, x: last.x, y: last.y };
  }

  #drawOld(context, view) {
    if (!this.#old) return;
    const across = view.scale / this.#old.scale, down = view.down / this.#old.down;
    context.imageSmoothingEnabled = false;
    context.drawImage(
      this.#old.canvas,
      this.#old.x * across - view.x,
      this.#old.y * down - view.y,
      this.#old.canvas.width * across,
      this.#old.canvas.height * down,
    );
  }

  #dropFar(firstX, lastX, firstY, lastY) {
    const limit = (lastX - firstX + 3) * (lastY - firstY + 3) * 2;
    if (this.#blocks.size <= limit) return;
    for (const [key, block] of this.#blocks) {
      const far = Math.max(firstX - block.x, block.x - lastX, firstY - block.y, block.y - lastY);
      if (far > 1) this.#blocks.delete(key);
    }
  }

  /** The tiles that a view needs, the middle ones first. */
  #tilesOf(view, left, top) {
    const { levels, tile: size, scan, index } = this.#plan;
    const highest = levels.length - 1;
    const keys = [];
    for (const level of this.#level === highest ? [highest] : [highest, this.#level]) {
      const [rows, columns, tall, wide] = levels[level];
      const across = view.scale * scan.resolution * wide * size;
      const down = view.down * (index?.resolution ?? 1) * tall * size;
      const cut = (at, step, count) => Math.max(0, Math.min(Math.ceil(count / size) - 1, Math.floor(at / step)));
      const x0 = cut(left, across, columns), x1 = cut(left + view.width, across, columns);
      const y0 = cut(top, down, rows), y1 = cut(top + view.height, down, rows);
      const middle = [(x0 + x1) / 2, (y0 + y1) / 2];
      const visible = [];
      for (let y = y0; y <= y1; y++) for (let x = x0; x <= x1; x++) visible.push([x, y]);
      visible.sort((a, b) => Math.hypot(a[0] - middle[0], a[1] - middle[1]) - Math.hypot(b[0] - middle[0], b[1] - middle[1]));
      keys.push(...visible.map(([x, y]) => Tiles.key(level, y, x)));
    }
    return keys;
  }

  #render(x, y, block) {
    if (!block) {
      block = { x, y, canvas: document.createElement("canvas"), image: new ImageData(SIDE, SIDE) };
      block.canvas.width = block.canvas.height = SIDE;
      block.pixels = new Uint32Array(block.image.data.buffer);
      this.#blocks.set(`${x},${y}`, block);
    }
    block.dirty = false;
    block.pixels.fill(0);
    const highest = this.#plan.levels.length - 1;
    // From coarse to fine: where the fine level is not loaded, the coarser one shows.
    for (let level = highest; level >= this.#level; level--) {
      if (level !== highest && level > this.#level + 3) continue;
      this.#paint(block, level);
    }
    block.canvas.getContext("2d").putImageData(block.image, 0, 0);
    return block;
  }

  /** For each point of a block along an axis, its pixel of a level, -1 outside. */
  #pixelsAlong(from, step, count) {
    const pixels = new Int32Array(SIDE);
    pixels.before = Math.floor((from - 0.5) / step);
    for (let k = 0; k < SIDE; k++) {
      const at = Math.floor((from + k + 0.5) / step);
      pixels[k] = at < count ? at : -1;
    }
    return pixels;
  }

  #paint(block, level) {
    const { levels, tile: size, scan, index } = this.#plan;
    const [rows, columns, tall, wide] = levels[level];
    const across = this.#scale * scan.resolution * wide;
    const down = this.#down * (index?.resolution ?? 1) * tall;
    const column = this.#pixelsAlong(block.x * SIDE, across, columns);
    const row = this.#pixelsAlong(block.y * SIDE, down, rows);
    const lines = level === 0 && Math.min(across, down) >= CELL_LINES;
    for (let y = 0; y < SIDE; ) {
      const tileRow = Math.floor(row[y] / size);
      let y1 = y + 1;
      while (y1 < SIDE && Math.floor(row[y1] / size) === tileRow) y1++;
      for (let x = 0; x < SIDE; ) {
        const tileColumn = Math.floor(column[x] / size);
        let x1 = x + 1;
        while (x1 < SIDE && Math.floor(column[x1] / size) === tileColumn) x1++;
        const tile = tileRow < 0 || tileColumn < 0 ? null : this.#tiles.get(level, tileRow, tileColumn);
        if (tile) this.#fill(block, tile, row, column, x, x1, y, y1, lines);
        x = x1;
      }
      y = y1;
    }
  }

  #fill(block, tile, row, column, x0, x1, y0, y1, lines) {
    const { tile: size, states, no_thickness: none, alert_below: alert, steps_per_mm: steps } = this.#plan;
    const { fields, marks, colours, size: field, alert: crosses, first, last, beyond: { under, over } } = this.theme;
    const mask = field - 1;
    const [measured, suspect, excluded] = ["measured", "suspect", "excluded"].map((name) => states.indexOf(name));
    const pixels = block.pixels;
    const limit = alert === null || this.layers === "coverage" ? -1 : Math.round(alert * steps);
    const both = this.layers === "both", coverage = this.layers === "coverage";
    const firstRow = tile.row * size, firstColumn = tile.column * size;
    for (let y = y0; y < y1; y++) {
      const from = (row[y] - firstRow) * tile.width - firstColumn;
      const line = lines && row[y] !== (y > 0 ? row[y - 1] : row.before);
      const pattern = (y & mask) * field;
      for (let x = x0; x < x1; x++) {
        const cell = from + column[x];
        const state = tile.state[cell], thickness = tile.thickness[cell];
        const at = pattern + (x & mask);
        let word;
        const coloured = thickness !== none && !coverage && (!both || state === measured || state === suspect || state === excluded);
        if (coloured) {
          word = thickness < first ? under[at] : thickness > last ? over[at] : colours[thickness];
          if (thickness < limit && crosses[at]) word = 0xffffffff;
          if (marks[state] && fields[state][at] === marks[state]) word = marks[state];
        } else word = fields[state][at];
        if (line || (lines && column[x] !== (x > 0 ? column[x - 1] : column.before))) word = ((word >>> 1) & 0x7f7f7f) | 0xff000000;
        pixels[y * SIDE + x] = word;
      }
    }
  }
}
