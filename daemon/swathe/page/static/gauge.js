// The gauge's newest reading during a run, so that the operator sees whether the probe couples.
import { ageText, isOld } from "./age.js";
import { inInches, thick } from "./labels.js";
import { LiveAscan } from "./live_ascan.js";
import { StripPlot } from "./strip.js";

const UPDATE_MS = 200;
const $ = (id) => document.getElementById(id);

export class GaugePanel {
  #station; #plot; #strip; #received = 0;

  constructor(station) {
    this.#station = station;
    this.#plot = new LiveAscan($("gauge-ascan"));
    this.#strip = new StripPlot($("gauge-strip"));
    station.on("gauge", () => { this.#received = performance.now(); this.update(); });
    station.on("plan", () => this.update());
    $("gauge-whole").addEventListener("click", () => {
      this.#plot.whole = !this.#plot.whole;
      $("gauge-whole").setAttribute("aria-pressed", String(this.#plot.whole));
      this.#plot.draw();
    });
    setInterval(() => this.#showAge(), UPDATE_MS);
  }

  update() {
    const { gauge } = this.#station;
    $("gauge").hidden = !gauge;
    if (!gauge) return;
    const has = gauge.ascan !== null;
    const set = (id, text) => { if ($(id).textContent !== text) $(id).textContent = text; };
    set("gauge-title", `Gauge now: ${gauge.device}`);
    set("gauge-thickness", thick(gauge.thickness));
    set("gauge-flight", gauge.time_of_flight === null ? "–" : `${gauge.time_of_flight.toFixed(3)} µs`);
    set("gauge-amplitude", gauge.amplitude === null ? "–" : `${gauge.amplitude.toFixed(0)} %`);
    set("gauge-rate", gauge.rate === null ? "–" : `${gauge.rate.toFixed(1)} readings/s`);
    set("gauge-problem", gauge.problem);
    $("gauge-whole").hidden = !has;
    $("gauge-ascan").hidden = !has;
    // With A-scans their drawing shows the coupling; without, the values do.
    $("gauge-strip").hidden = has;
    this.#plot.update(gauge.ascan);
    if (!has) {
      const unit = inInches() ? 25.4 : 1;
      this.#strip.update(gauge, (value) => gauge.strip_unit !== "mm" ? `${value.toFixed(3)} µs`
        : `${(value / unit).toFixed(inInches() ? 3 : 2)} ${inInches() ? "in" : "mm"}`);
    }
    this.#showAge();
  }

  #showAge() {
    const { gauge } = this.#station;
    if (!gauge) return;
    const age = gauge.age === null ? null : gauge.age + (performance.now() - this.#received) / 1000;
    $("gauge-age").textContent = ageText(age);
    $("gauge-age").classList.toggle("old", isOld(age));
    $("gauge-figures").classList.toggle("last", isOld(age) || gauge.port !== "open");
  }
}
