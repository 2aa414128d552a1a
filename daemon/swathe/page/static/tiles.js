// Pixels of the map by level: fetched on request, kept up to date by patches.

// A browser has six connections to a station; one receives events, one stays free for commands.
const MAX_FETCHES = 4;
const MAX_TILES = 260;

/** Decode a patch: for each level its changed pixels. See `pack_patch` for the layout. */
export function readPatch(text) {
  const raw = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const view = new DataView(raw.buffer);
  const levels = [];
  for (let at = 0; at < raw.length; ) {
    const count = view.getUint32(at, true);
    at += 4;
    const offset = new Uint32Array(raw.buffer, at, count);
    const thickness = new Uint16Array(raw.buffer, at + 4 * count, count);
    const state = new Uint8Array(raw.buffer, at + 6 * count, count);
    levels.push({ offset, thickness, state });
    at += 7 * count + ((4 - ((3 * count) % 4)) % 4);
  }
  return levels;
}

export class Tiles {
  #plan; #tiles = new Map(); #pending = new Map(); #queue = []; #tick = 0; #stopped = false;

  /**
   * @param plan the station's plan.
   * @param onLoad called with each loaded tile.
   */
  constructor(plan, onLoad) {
    this.#plan = plan;
    this.onLoad = onLoad;
  }

  /** Level, row and column make a key. */
  static key = (level, row, column) => `${level}/${row}/${column}`;

  /** The tile, if it is loaded. */
  get(level, row, column) {
    const tile = this.#tiles.get(Tiles.key(level, row, column));
    if (tile) tile.used = ++this.#tick;
    return tile;
  }

  /** Fetch these tiles in order, where they are missing or stale. */
  request(keys) {
    this.#queue = keys.filter((key) => {
      const tile = this.#tiles.get(key);
      return (!tile || tile.stale) && !this.#pending.has(key);
    });
    this.#pump();
  }

  /** Mark every tile as stale: it is shown until it is fetched again. */
  markStale() {
    for (const tile of this.#tiles.values()) tile.stale = true;
  }

  /** Whether every requested tile is loaded. */
  get settled() {
    return this.#queue.length === 0 && this.#pending.size === 0;
  }

  stop() {
    this.#stopped = true;
  }

  #pump() {
    while (!this.#stopped && this.#queue.length && this.#pending.size < MAX_FETCHES) {
      const key = this.#queue.shift();
      if (!this.#pending.has(key)) this.#fetch(key);
    }
  }

  async #fetch(key) {
    const patches = [];
    this.#pending.set(key, patches);
    try {
      const answer = await fetch(`/tiles/${key}`);
      if (!answer.ok) throw new Error(`tile ${key}: ${answer.status}`);
      const tile = this.#unpack(key, await answer.arrayBuffer());
      if (this.#stopped) return;
      this.#tiles.set(key, tile);
      // Changes during the request.
      for (const patch of patches) this.#apply(tile, patch);
      this.#trim();
      this.onLoad(tile);
    } catch {
      // No connection: the next frame requests the tile again.
    } finally {
      this.#pending.delete(key);
      this.#pump();
    }
  }

  #unpack(key, buffer) {
    const [level, row, column] = key.split("/").map(Number);
    const { tile: size, levels, no_thickness: none } = this.#plan;
    const width = Math.min(size, levels[level][1] - column * size);
    const height = Math.min(size, levels[level][0] - row * size);
    const pixels = width * height;
    const tile = { key, level, row, column, width, height, stale: false, used: ++this.#tick };
    if (buffer.byteLength === 1) {
      tile.state = new Uint8Array(pixels).fill(new Uint8Array(buffer)[0]);
      tile.thickness = new Uint16Array(pixels).fill(none);
    } else {
      tile.state = new Uint8Array(buffer, 0, pixels);
      tile.thickness = new Uint16Array(buffer.slice(pixels));
    }
    return tile;
  }

  /** Apply a patch; returns by level the first and last changed row and column. */
  patch(levels) {
    const { tile: size, levels: known } = this.#plan;
    return levels.map(({ offset, thickness, state }, level) => {
      const columns = known[level][1];
      const borders = [Infinity, -1, Infinity, -1];
      let tile = null, tileRow = -1, tileColumn = -1;
      for (let k = 0; k < offset.length; k++) {
        const row = Math.floor(offset[k] / columns), column = offset[k] % columns;
        borders[0] = Math.min(borders[0], row);
        borders[1] = Math.max(borders[1], row);
        borders[2] = Math.min(borders[2], column);
        borders[3] = Math.max(borders[3], column);
        const inRow = Math.floor(row / size), inColumn = Math.floor(column / size);
        if (inRow !== tileRow || inColumn !== tileColumn) {
          [tileRow, tileColumn] = [inRow, inColumn];
          const key = Tiles.key(level, inRow, inColumn);
          tile = this.#tiles.get(key);
          this.#pending.get(key)?.push({ offset, thickness, state });
        }
        if (tile) {
          const at = (row - inRow * size) * tile.width + column - inColumn * size;
          tile.state[at] = state[k];
          tile.thickness[at] = thickness[k];
        }
      }
      return borders[1] < 0 ? null : borders;
    });
  }

  #apply(tile, { offset, thickness, state }) {
    const { tile: size, levels } = this.#plan;
    const columns = levels[tile.level][1];
    for (let k = 0; k < offset.length; k++) {
      const row = Math.floor(offset[k] / columns) - tile.row * size;
      const column = (offset[k] % columns) - tile.column * size;
      if (row >= 0 && row < tile.height && column >= 0 && column < tile.width) {
        tile.state[row * tile.width + column] = state[k];
        tile.thickness[row * tile.width + column] = thickness[k];
      }
    }
  }

  #trim() {
    if (this.#tiles.size <= MAX_TILES) return;
    const top = this.#plan.levels.length - 1;
    const idle = [...this.#tiles.values()].filter((tile) => tile.level < top);
    idle.sort((a, b) => a.used - b.used);
    for (const tile of idle.slice(0, MAX_TILES / 4)) this.#tiles.delete(tile.key);
  }
}
