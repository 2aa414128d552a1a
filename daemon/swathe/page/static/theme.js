// Colours and patterns of the map: each state has a pattern as well as a colour, so that states
// differ without colours. Pixels are written as 32-bit words, alpha highest.
import { VIRIDIS } from "./viridis.js";

const word = (r, g, b) => ((255 << 24) | (b << 16) | (g << 8) | r) >>> 0;
const hex = (text) => word(...[1, 3, 5].map((at) => parseInt(text.slice(at, at + 2), 16)));

// Background and mark of each state; tints from a palette made for colour-blind readers (B. Wong,
// Nature Methods 8, 441, 2011; from memory), the same as in the survey's picture. That of "uncertain" is none of them: their yellow is the
// thick end of the colours of thickness.
const TINTS = {
  light: {
    unvisited: ["#f6f8f8", "#8b989b"], skipped: ["#e69f00", "#3d2a00"],
    no_signal: ["#d55e00", "#2d1200"], measured: ["#b9d8e4", "#b9d8e4"],
    suspect: ["#cc79a7", "#3a1029"], excluded: ["#a3a8a9", "#63696b"],
    uncertain: ["#c9b394", "#3d2b12"],
  },
  dark: {
    unvisited: ["#1a2326", "#5d6c70"], skipped: ["#e69f00", "#3d2a00"],
    no_signal: ["#d55e00", "#2d1200"], measured: ["#2d5f74", "#2d5f74"],
    suspect: ["#cc79a7", "#3a1029"], excluded: ["#4b5355", "#7f888a"],
    uncertain: ["#c9b394", "#3d2b12"],
  },
};

// Whether a mark is at (x, y) of a field of 16 × 16 points.
const MARKS = {
  unvisited: (x, y) => dot(x, y, 4, 4, 1.5) || dot(x, y, 12, 12, 1.5),
  uncertain: (x, y) => Math.abs((y % 8) - 1.5 - Math.abs((x % 8) - 4)) < 1.3,
  skipped: (x, y) => (x + y) % 8 < 3,
  no_signal: (x, y) => ring(x, y, 8, 8),
  measured: () => false,
  suspect: (x, y) => (x + y) % 8 < 2 || (x - y + 16) % 8 < 2,
  excluded: (x, y) => y % 8 === 0 || (x + (y < 8 ? 0 : 8)) % 16 === 0,
};
// States of which the marks are drawn over a thickness.
const OVER_THICKNESS = ["suspect", "excluded"];
// Thinner and thicker than the scale: ground, mark, and where its marks are.
const BEYOND = {
  under: ["#12001c", "#d9c7e6", (x, y) => chevron(x, 10 - y)],
  over: ["#fff7c2", "#5c5200", (x, y) => chevron(x, y - 4)],
};
// Below the alert level: small crosses on the colour of the thickness.
const alertMark = (x, y) =>
  (Math.abs(x - 8) < 4 && Math.abs(y - 8) < 1.2) || (Math.abs(y - 8) < 4 && Math.abs(x - 8) < 1.2);
const chevron = (x, y) => y >= 0 && y < 7 && Math.abs(Math.abs(x - 7.5) - y) < 1.1;
const dot = (x, y, a, b, r) => (x - a) ** 2 + (y - b) ** 2 <= r * r;
const ring = (x, y, a, b) => {
  const r = Math.hypot(x - a + 0.5, y - b + 0.5);
  return r > 3 && r < 5.6;
};

/** The number of the colour of a thickness, 0 to 255. */
export const colourIndex = (mm, low, high) =>
  Math.max(0, Math.min(255, Math.floor(((mm - low) / (high - low)) * 256)));

/** Colours and patterns for a plan, light or dark, at a pixel ratio of the screen. */
export class Theme {
  constructor(plan, dark, pixelRatio) {
    this.size = pixelRatio > 1.4 ? 32 : 16;
    const factor = this.size / 16;
    const tints = TINTS[dark ? "dark" : "light"];
    this.fields = plan.states.map((name) => this.#field(...tints[name].map(hex), MARKS[name]));
    // Over the thickness of a suspect or an excluded cell only the marks are drawn.
    this.marks = plan.states.map((name) => (OVER_THICKNESS.includes(name) ? hex(tints[name][1]) : 0));
    this.alert = new Uint8Array(this.size * this.size);
    for (let y = 0; y < this.size; y++) {
      for (let x = 0; x < this.size; x++) {
        this.alert[y * this.size + x] = alertMark(Math.floor(x / factor), Math.floor(y / factor));
      }
    }
    this.unknown = hex(dark ? "#0e1517" : "#dfe5e5");
    this.plan = plan;
    const { steps_per_mm: steps, scale: { low, high } } = plan;
    const table = VIRIDIS.map((c) => word(...c));
    this.colours = Uint32Array.from({ length: 65536 }, (_, t) => table[colourIndex(t / steps, low, high)]);
    // Values beyond the scale have patterns of their own; thicknesses in steps.
    this.first = Math.ceil(low * steps);
    this.last = Math.floor(high * steps);
    this.beyond = Object.fromEntries(Object.entries(BEYOND).map(([end, [ground, mark, marks]]) => [end, this.#field(hex(ground), hex(mark), marks)]));
  }

  /** A field of a pattern, row by row. */
  #field(ground, mark, marks) {
    const factor = this.size / 16;
    return Uint32Array.from({ length: this.size * this.size }, (_, k) =>
      (marks(Math.floor((k % this.size) / factor), Math.floor(k / this.size / factor)) ? mark : ground));
  }

  /** Draw a state's pattern, or that of `under` or `over`, into a small canvas. */
  swatch(canvas, state) {
    canvas.width = canvas.height = this.size * 2;
    const image = new ImageData(canvas.width, canvas.height);
    const pixels = new Uint32Array(image.data.buffer);
    const field = this.beyond[state] ?? this.fields[this.plan.states.indexOf(state)];
    const mask = this.size - 1;
    for (let k = 0; k < pixels.length; k++) {
      const x = k % canvas.width, y = Math.floor(k / canvas.width);
      pixels[k] = field[(y & mask) * this.size + (x & mask)];
    }
    canvas.getContext("2d").putImageData(image, 0, 0);
  }

  /** Draw the colour scale, with thicknesses below the alert level marked as on the map. */
  ramp(canvas) {
    const width = (canvas.width = 512), height = (canvas.height = 32);
    const image = new ImageData(width, height);
    const pixels = new Uint32Array(image.data.buffer);
    const { alert_below: alert, nominal, scale: { low, high } } = this.plan;
    const mask = this.size - 1;
    const column = (mm) => Math.round(((mm - low) / (high - low)) * (width - 1));
    for (let x = 0; x < width; x++) {
      const mm = low + (x / (width - 1)) * (high - low);
      const colour = word(...VIRIDIS[colourIndex(mm, low, high)]);
      for (let y = 0; y < height; y++) {
        const crossed = alert !== null && mm < alert && this.alert[(y & mask) * this.size + (x & mask)];
        pixels[y * width + x] = crossed ? 0xffffffff : colour;
      }
    }
    // The alert level as a solid line, the nominal thickness as a broken one.
    for (const [level, broken] of [[alert, false], [nominal, true]]) {
      if (level === null || level < low || level > high) continue;
      const at = Math.max(2, Math.min(width - 3, column(level)));
      for (let y = 0; y < height; y++) {
        if (broken && y % 10 >= 6) continue;
        for (let x = at - 2; x <= at + 2; x++) pixels[y * width + x] = Math.abs(x - at) < 2 ? 0xff000000 : 0xffffffff;
      }
    }
    canvas.getContext("2d").putImageData(image, 0, 0);
  }
}
