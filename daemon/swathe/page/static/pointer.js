// Touch, mouse, wheel and keyboard input on the map: pan, zoom, tap a cell, draw a zone.

const TAP_POINTS = 8;
const TAP_MS = 600;
const KEY_SHARE = 0.15;
const KEY_ZOOM = 1.5;

export class PointerInput {
  #map; #canvas; #pointers = new Map(); #press = null; #corner = null;

  constructor(map, canvas) {
    this.#map = map;
    this.#canvas = canvas;
    canvas.addEventListener("pointerdown", (event) => this.#down(event));
    canvas.addEventListener("pointermove", (event) => this.#move(event));
    canvas.addEventListener("pointerup", (event) => this.#up(event));
    canvas.addEventListener("pointercancel", (event) => this.#up(event));
    canvas.addEventListener("wheel", (event) => {
      if (!map.view) return;
      event.preventDefault();
      const lines = event.deltaMode === WheelEvent.DOM_DELTA_LINE ? 30 : 1;
      map.view.zoom(Math.exp(-event.deltaY * lines * 0.0016), ...this.#point(event));
      map.redraw();
    }, { passive: false });
    canvas.addEventListener("keydown", (event) => this.#key(event));
    canvas.addEventListener("blur", () => map.showCross(false));
  }

  #point(event) {
    const box = this.#canvas.getBoundingClientRect();
    const { pixelRatio } = this.#map.chosen;
    return [(event.clientX - box.left) * pixelRatio, (event.clientY - box.top) * pixelRatio];
  }

  #down(event) {
    const { drawing, view } = this.#map;
    this.#canvas.setPointerCapture(event.pointerId);
    const at = this.#point(event);
    this.#pointers.set(event.pointerId, at);
    const alone = this.#pointers.size === 1;
    this.#press = alone && !drawing ? { at, time: event.timeStamp } : null;
    // A second finger zooms, also while a zone is drawn.
    this.#corner = alone && drawing && view ? at : null;
    if (drawing && !alone) this.#map.chosen.draft = null;
    this.#map.showCross(false);
  }

  #up(event) {
    const at = this.#pointers.get(event.pointerId);
    this.#pointers.delete(event.pointerId);
    const press = this.#press, corner = this.#corner;
    this.#press = this.#corner = null;
    const { view, drawing, chosen } = this.#map;
    if (event.type !== "pointerup" || !at || !view) return;
    if (corner && drawing && chosen.draft) drawing(chosen.draft);
    else if (press && event.timeStamp - press.time < TAP_MS) this.#map.tap(...at);
  }

  #move(event) {
    const { view, chosen } = this.#map;
    const before = this.#pointers.get(event.pointerId);
    if (!before || !view) return;
    const now = this.#point(event);
    const press = this.#press;
    if (press) {
      const far = Math.hypot(now[0] - press.at[0], now[1] - press.at[1]);
      if (far < TAP_POINTS * chosen.pixelRatio) return;
      this.#press = null;
      this.#pointers.set(event.pointerId, now);
      return;
    }
    const others = [...this.#pointers].filter(([id]) => id !== event.pointerId);
    if (others.length) {
      const [, anchor] = others[0];
      const apart = Math.hypot(now[0] - anchor[0], now[1] - anchor[1]);
      const were = Math.hypot(before[0] - anchor[0], before[1] - anchor[1]);
      if (were > 0) view.zoom(apart / were, (now[0] + anchor[0]) / 2, (now[1] + anchor[1]) / 2);
    } else if (this.#corner) this.#drawZone(this.#corner, now);
    else if (!this.#map.drawing) view.pan(before[0] - now[0], before[1] - now[1]);
    this.#pointers.set(event.pointerId, now);
    this.#map.redraw();
  }

  /** Set the drawn zone from one corner to the other, within the part. */
  #drawZone(corner, now) {
    const { view, chosen } = this.#map;
    const far = Math.hypot(now[0] - corner[0], now[1] - corner[1]);
    if (far < TAP_POINTS * chosen.pixelRatio) return;
    const [a, b] = [view.toPosition(...corner), view.toPosition(...now)];
    const within = (k, low, length) =>
      [Math.min(a[k], b[k]), Math.max(a[k], b[k])].map((at) => Math.max(low, Math.min(at, low + length)));
    chosen.draft = {
      scan: within(0, view.left, view.length),
      index: view.profile ? null : within(1, view.top, view.breadth),
    };
  }

  #key(event) {
    const map = this.#map, { view } = map;
    if (!view || event.ctrlKey || event.metaKey || event.altKey) return;
    const across = view.width * KEY_SHARE, down = view.height * KEY_SHARE;
    const acts = {
      ArrowLeft: () => view.pan(-across, 0), ArrowRight: () => view.pan(across, 0),
      ArrowUp: () => view.pan(0, -down), ArrowDown: () => view.pan(0, down),
      "+": () => view.zoom(KEY_ZOOM), "=": () => view.zoom(KEY_ZOOM),
      "-": () => view.zoom(1 / KEY_ZOOM), 0: () => view.fit(),
      Enter: () => map.tap(view.width / 2, view.height / 2),
      " ": () => map.tap(view.width / 2, view.height / 2),
    };
    const act = acts[event.key];
    if (!act) return;
    event.preventDefault();
    act();
    map.showCross(true);
    map.redraw();
  }
}
