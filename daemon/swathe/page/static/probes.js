// What each of several probes reads now: its value, whether there is an echo, how old it is, and where it is.
import { isOld } from "./age.js";
import { count, fixed, inInches, point, thick } from "./labels.js";
import { element } from "./panels.js";

const UPDATE_MS = 200;
const $ = (id) => document.getElementById(id);

/** A text without its unit, which the heading of the column has. */
const bare = (text) => text.replace(/\u00a0(mm|in)$/, "");

export class ProbeTable {
  #station; #rows = [];

  constructor(station) {
    this.#station = station;
    for (const kind of ["plan", "progress", "run", "connection"]) station.on(kind, () => this.update());
    setInterval(() => this.update(), UPDATE_MS);
  }

  update() {
    const { plan, progress, connection } = this.#station;
    const probes = progress?.probes ?? [];
    if (!plan) return;
    $("probes").hidden = !probes.length;
    if (!probes.length) return;
    const unit = inInches() ? "in" : "mm";
    set($("probes-unit"), unit);
    set($("probes-place"), plan.index ? `scan / index, ${unit}` : `scan, ${unit}`);
    while (this.#rows.length < probes.length) this.#rows.push(this.#addRow());
    while (this.#rows.length > probes.length) this.#rows.pop().row.remove();
    probes.forEach((probe, k) => this.#fill(this.#rows[k], probe, plan, connection.alive));
  }

  #addRow() {
    const row = document.createElement("tr");
    const name = document.createElement("th");
    name.scope = "row";
    const [value, state, amplitude, share, age, place] = ["value", "state", "amplitude", "share", "age", "place"].map((kind) => element("td", "", kind));
    const sign = document.createElement("span"), said = element("span", "", "word");
    state.append(sign, said);
    row.append(name, value, state, amplitude, share, age, place);
    $("probes-now").tBodies[0].append(row);
    return { row, name, value, sign, word: said, amplitude, share, age, place };
  }

  #fill(cells, probe, plan, alive) {
    const age = probe.last_reading ? Math.max(0, (this.#station.now() - Date.parse(probe.last_reading)) / 1000) : null;
    // A reading that is old is none of now, whatever the last message had.
    const old = isOld(age) || !alive;
    set(cells.name, probe.name);
    set(cells.value, old || probe.thickness === null ? "–" : bare(thick(probe.thickness)));
    const [sign, word] = old ? ["✕", "no reading"] : probe.has_echo ? ["✓", "echo"] : ["✕", "no echo"];
    set(cells.sign, `${sign} `);
    set(cells.word, word);
    // That others have an echo meanwhile is what makes it a fault of this one.
    cells.row.className = probe.alone ? "ill" : old || !probe.has_echo ? "without" : "well";
    set(cells.amplitude, old || probe.amplitude === null ? "–" : `${fixed(probe.amplitude, 0)}\u00a0%`);
    set(cells.share, probe.readings ? `${fixed((100 * probe.echoes) / probe.readings, 1)}\u00a0%` : "–");
    set(cells.age, age === null ? "never" : age < 100 ? `${age.toFixed(1)}\u00a0s` : `${count(Math.round(age / 60))}\u00a0min`);
    const scan = bare(point(probe.scan)), index = bare(point(probe.index, "index"));
    set(cells.place, plan.index ? `${scan} / ${index}` : scan);
  }
}

function set(part, text) {
  if (part.textContent !== text) part.textContent = text;
}
