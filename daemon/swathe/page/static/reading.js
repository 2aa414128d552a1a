// The contents of a cell as text, with its A-scan where A-scans are kept, and its line's profile.
import { flagName } from "./doubtful.js";
import { element } from "./panels.js";
import { ascanPlot } from "./ascan.js";
import { plot } from "./plot.js";
import { STATE_LABELS, clock, count, inInches, level, point, thick } from "./labels.js";

const UPDATE_MS = 1500;
const INCH = 25.4;
const $ = (id) => document.getElementById(id);

export class Reading {
  #station; #map; #timer = 0; #requests = 0;

  constructor(station, map) {
    this.#station = station;
    this.#map = map;
    this.cell = null;
    $("reading-close").addEventListener("click", () => this.close());
    $("reading").addEventListener("keydown", (event) => { if (event.key === "Escape") this.close(); });
    station.on("pixels", () => this.#updateSoon());
    station.on("plan", () => this.cell && this.show(...this.cell));
  }

  close() {
    this.cell = null;
    this.#map.chosen.cell = null;
    $("reading").hidden = true;
    $("map").focus({ preventScroll: true });
    this.#map.redraw();
  }

  update() {
    if (this.cell) this.show(...this.cell);
  }

  #updateSoon() {
    if (!this.cell || this.#timer) return;
    this.#timer = setTimeout(() => { this.#timer = 0; this.update(); }, UPDATE_MS);
  }

  async show(row, column) {
    const opens = !this.cell;
    this.cell = [row, column];
    this.#map.chosen.cell = this.cell;
    this.#map.redraw();
    const request = ++this.#requests;
    try {
      const answers = await Promise.all([fetch(`/cell/${row}/${column}`), fetch(`/line/${row}`)]);
      if (!answers.every((answer) => answer.ok)) throw new Error(`cell: ${answers.map((a) => a.status)}`);
      const [cell, line] = await Promise.all(answers.map((answer) => answer.json()));
      if (request === this.#requests && this.cell) this.#fill(cell, line);
    } catch {
      // No connection: the banner shows it, and the old reading stays, greyed out.
      return;
    }
    if (opens) $("reading").scrollIntoView({ block: "nearest" });
  }

  #fill(cell, line) {
    const { plan } = this.#station;
    $("reading").hidden = false;
    const at = [`scan ${point(cell.scan)}`];
    if (plan.index) at.push(`index ${point(cell.index, "index")}`);
    $("reading-title").textContent = `Reading at ${at.join(", ")}`;
    const state = STATE_LABELS[cell.state] ?? cell.state;
    $("reading-state").textContent = cell.thickness === null ? capital(state) : `${thick(cell.thickness)}, ${state}`;
    const values = [
      ["Mean of its readings", thick(cell.thickness_mean)],
      ["Valid readings", count(cell.hits)],
      ["Passes", count(cell.passes)],
      ["Time of flight", cell.time_of_flight === null ? "–" : `${cell.time_of_flight.toFixed(3)} µs`],
      ["Amplitude, % of full screen height", cell.amplitude === null ? "–" : `${cell.amplitude.toFixed(0)} %`],
      ["Flags", cell.quality.length ? cell.quality.map(flagName).join(", ") : "none"],
      ["Last reading", cell.last_time === null ? "–" : clock(cell.last_time)],
    ];
    $("reading-values").replaceChildren(...values.map(([name, value]) => {
      const pair = document.createElement("div");
      pair.append(element("dt", name), element("dd", value));
      return pair;
    }));
    this.#ascan(cell);
    this.#profile(cell, line);
  }

  #ascan(cell) {
    const figure = $("ascan");
    figure.hidden = cell.waveform === null;
    figure.querySelector("svg")?.remove();
    if (cell.waveform === null) return;
    figure.append(ascanPlot(cell.waveform));
    const note = cell.waveform.problem;
    figure.querySelector("figcaption").textContent = note ? `A-scan of this reading: ${note}` : "A-scan of this reading";
  }

  #profile(cell, line) {
    const figure = $("profile");
    const found = line.thickness.filter((value) => value !== null);
    figure.hidden = found.length === 0;
    figure.querySelector("svg")?.remove();
    if (!found.length) return;
    const { plan } = this.#station;
    const unit = inInches() ? INCH : 1;
    const { low, high } = plan.scale;
    const levels = [["nominal", plan.nominal], ["alert", plan.alert_below]]
      .filter(([, mm]) => mm !== null && mm >= low && mm <= high).map(([name, mm]) => [name, mm / unit]);
    const missing = line.state.map((state) => ["uncertain", "skipped", "no_signal", "suspect"].includes(plan.states[state]));
    figure.append(plot(line.thickness.map((value) => (value === null ? null : value / unit)), {
      start: line.start / unit, step: line.step / unit, low: low / unit, high: high / unit,
      across: inInches() ? "scan, in" : "scan, mm", up: inInches() ? "thickness, in" : "thickness, mm",
      title: `Thickness along this line, on an axis from ${level(low)} to ${level(high)}`, here: cell.scan / unit, missing, levels,
      ticks: plan.scale.ticks[inInches() ? "in" : "mm"].map((mm) => mm / unit),
    }));
  }
}

const capital = (text) => text[0].toUpperCase() + text.slice(1);
