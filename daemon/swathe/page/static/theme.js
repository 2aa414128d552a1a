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
// Below the alert level: small crosses on the colour of the thickness.
const alertMark = (x, y) =>
  (Math.abs(x - 8) < 4 && Math.abs(y - 8) < 1.2) || (Math.abs(y - 8) < 4 && Math.abs(x - 8) < 1.2);
const dot = (x, y, a, b, r) => (x - a) ** 2 + (y - b) ** 2 <= r * r;
const ring = (x, y, a, b) => {
  const r = Math.hypot(x - a + 0.5, y - b + 0.5);
  return r > 3 && r < 5.6;
};

/** Colours and patterns for a plan, light or dark, at a pixel ratio of the screen. */
export class Theme {
  constructor(plan, dark, pixelRatio) {
    this.size = pixelRatio > 1.4 ? 32 : 16;
    const factor = this.size / 16;
    const tints = TINTS[dark ? "dark" : "light"];
    this.fields = plan.states.map((name) => {
      const [ground, mark] = tints[name].map(hex);
      const pixels = new Uint32Array(this.size * this.size);
      for (let y = 0; y < this.size; y++) {
        for (let x = 0; x < this.size; x++) {
          pixels[y * this.size + x] =
            MARKS[name](Math.floor(x / factor), Math.floor(y / factor)) ? mark : ground;
        }
      }
      return pixels;
    });
    // Over the thickness of a suspect cell only the marks are drawn.
    this.suspectMark = hex(tints.suspect[1]);
    this.alert = new Uint8Array(this.size * this.size);
    for (let y = 0; y < this.size; y++) {
      for (let x = 0; x < this.size; x++) {
        this.alert[y * this.size + x] = alertMark(Math.floor(x / factor), Math.floor(y / factor));
      }
    }
    this.unknown = hex(dark ? "#0e1517" : "#dfe5e5");
    this.plan = plan;
    this.colours = new Uint32Array(65536);
    this.setRange(0, 1);
  }

  /** Map the colours to the thicknesses from `low` to `high` mm. */
  setRange(low, high) {
    this.low = low;
    this.high = high;
    const { steps_per_mm: steps } = this.plan;
    const table = VIRIDIS.map((c) => word(...c));
    for (let t = 0; t < 65536; t++) {
      const share = (t / steps - low) / (high - low);
      this.colours[t] = table[Math.max(0, Math.min(255, Math.round(share * 255)))];
    }
  }

  /** Draw a state's pattern into a small canvas. */
  swatch(canvas, state) {
    canvas.width = canvas.height = this.size * 2;
    const image = new ImageData(canvas.width, canvas.height);
    const pixels = new Uint32Array(image.data.buffer);
    const field = this.fields[this.plan.states.indexOf(state)];
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
    const alert = this.plan.alert_below;
    const mask = this.size - 1;
    for (let x = 0; x < width; x++) {
      const mm = this.low + (x / (width - 1)) * (this.high - this.low);
      const colour = this.colours[Math.round(mm * this.plan.steps_per_mm)];
      for (let y = 0; y < height; y++) {
        const crossed = alert !== null && mm < alert && this.alert[(y & mask) * this.size + (x & mask)];
        pixels[y * width + x] = crossed ? 0xffffffff : colour;
      }
    }
    canvas.getContext("2d").putImageData(image, 0, 0);
  }
}
