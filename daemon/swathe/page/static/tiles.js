// Pixels of the map by level: fetched when wanted, kept up to date by patches.

// A browser has six connections to a station; one hears, and a command must find one free.
const AT_ONCE = 4;
const MOST_KEPT = 260;

/** Decode a patch: for each level its changed pixels. See ``patch.py`` for the layout. */
export function readPatch(text) {
  const raw = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const view = new DataView(raw.buffer);
  const levels = [];
  for (let at = 0; at < raw.length; ) {
    const count = view.getUint32(at, true);
    at += 4;
    const place = new Uint32Array(raw.buffer, at, count);
    const thickness = new Uint16Array(raw.buffer, at + 4 * count, count);
    const state = new Uint8Array(raw.buffer, at + 6 * count, count);
    levels.push({ place, thickness, state });
    at += 7 * count + ((4 - ((3 * count) % 4)) % 4);
  }
  return levels;
}

export class Tiles {
  #plan; #tiles = new Map(); #coming = new Map(); #wanted = []; #tick = 0; #stopped = false;

  /**
   * @param plan the station's plan.
   * @param onLoad called with each tile that came.
   */
  constructor(plan, onLoad) {
    this.#plan = plan;
    this.onLoad = onLoad;
  }

  /** Level, row and column make a key. */
  static key = (level, row, column) => `${level}/${row}/${column}`;

  /** The tile, if it is here. */
  get(level, row, column) {
    const tile = this.#tiles.get(Tiles.key(level, row, column));
    if (tile) tile.used = ++this.#tick;
    return tile;
  }

  /** Fetch these tiles, the first ones first, where they are missing or old. */
  want(keys) {
    this.#wanted = keys.filter((key) => {
      const tile = this.#tiles.get(key);
      return (!tile || tile.old) && !this.#coming.has(key);
    });
    this.#pump();
  }

  /** Every tile is old: shown until a new one comes. */
  makeOld() {
    for (const tile of this.#tiles.values()) tile.old = true;
  }

  /** Whether nothing that is wanted is missing. */
  get settled() {
    return this.#wanted.length === 0 && this.#coming.size === 0;
  }

  stop() {
    this.#stopped = true;
  }

  #pump() {
    while (!this.#stopped && this.#wanted.length && this.#coming.size < AT_ONCE) {
      const key = this.#wanted.shift();
      if (!this.#coming.has(key)) this.#fetch(key);
    }
  }

  async #fetch(key) {
    const patches = [];
    this.#coming.set(key, patches);
    try {
      const answer = await fetch(`/tiles/${key}`);
      if (!answer.ok) throw new Error(`tile ${key}: ${answer.status}`);
      const tile = this.#unpack(key, await answer.arrayBuffer());
      if (this.#stopped) return;
      this.#tiles.set(key, tile);
      // What changed while it was on its way.
      for (const patch of patches) this.#apply(tile, patch);
      this.#trim();
      this.onLoad(tile);
    } catch {
      // The station is away or the tile is gone: whoever still wants it asks again.
    } finally {
      this.#coming.delete(key);
      this.#pump();
    }
  }

  #unpack(key, buffer) {
    const [level, row, column] = key.split("/").map(Number);
    const { tile: size, levels, no_thickness: none } = this.#plan;
    const width = Math.min(size, levels[level][1] - column * size);
    const height = Math.min(size, levels[level][0] - row * size);
    const pixels = width * height;
    const tile = { key, level, row, column, width, height, old: false, used: ++this.#tick };
    if (buffer.byteLength === 1) {
      tile.state = new Uint8Array(pixels).fill(new Uint8Array(buffer)[0]);
      tile.thickness = new Uint16Array(pixels).fill(none);
    } else {
      tile.state = new Uint8Array(buffer, 0, pixels);
      tile.thickness = new Uint16Array(buffer.slice(pixels));
    }
    return tile;
  }

  /** Take a patch; returns by level the borders of what changed, as first and last row and column. */
  patch(levels) {
    const { tile: size, levels: known } = this.#plan;
    return levels.map(({ place, thickness, state }, level) => {
      const columns = known[level][1];
      const borders = [Infinity, -1, Infinity, -1];
      let tile = null, tileRow = -1, tileColumn = -1;
      for (let k = 0; k < place.length; k++) {
        const row = Math.floor(place[k] / columns), column = place[k] % columns;
        borders[0] = Math.min(borders[0], row);
        borders[1] = Math.max(borders[1], row);
        borders[2] = Math.min(borders[2], column);
        borders[3] = Math.max(borders[3], column);
        const inRow = Math.floor(row / size), inColumn = Math.floor(column / size);
        if (inRow !== tileRow || inColumn !== tileColumn) {
          [tileRow, tileColumn] = [inRow, inColumn];
          const key = Tiles.key(level, inRow, inColumn);
          tile = this.#tiles.get(key);
          this.#coming.get(key)?.push({ place, thickness, state });
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

  #apply(tile, { place, thickness, state }) {
    const { tile: size, levels } = this.#plan;
    const columns = levels[tile.level][1];
    for (let k = 0; k < place.length; k++) {
      const row = Math.floor(place[k] / columns) - tile.row * size;
      const column = (place[k] % columns) - tile.column * size;
      if (row >= 0 && row < tile.height && column >= 0 && column < tile.width) {
        tile.state[row * tile.width + column] = state[k];
        tile.thickness[row * tile.width + column] = thickness[k];
      }
    }
  }

  #trim() {
    if (this.#tiles.size <= MOST_KEPT) return;
    const top = this.#plan.levels.length - 1;
    const idle = [...this.#tiles.values()].filter((tile) => tile.level < top);
    idle.sort((a, b) => a.used - b.used);
    for (const tile of idle.slice(0, MOST_KEPT / 4)) this.#tiles.delete(tile.key);
  }
}
