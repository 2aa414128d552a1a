// What is to be heard: which events have a tone, chosen per viewer, and when it is played.
import { Tones } from "./tones.js";

// The most urgent first: of events at the same moment the first one is played.
export const SOUNDS = {
  contact: { name: "No connection to the station", urgency: "urgent", pitch: 392 },
  position: { name: "Position lost or slipped", urgency: "urgent", pitch: 523, alarms: ["position lost", "slip", "encoder still", "readings unplaced"] },
  signal: { name: "Signal lost", urgency: "urgent", pitch: 659, alarms: ["coupling lost", "no echo", "device silent", "port lost", "values held"] },
  paused: { name: "Paused", urgency: "soon", pitch: 440 },
  fast: { name: "Too fast", urgency: "soon", pitch: 988, alarms: ["too fast"] },
  thin: { name: "Wall below alert level", urgency: "soon", pitch: 740, alarms: ["below alert"] },
  gap: { name: "Gap opened", urgency: "note", pitch: 587, alarms: ["gaps open"] },
  other: { name: "Other alarms", urgency: "note", pitch: 494 },
};
const KINDS = Object.keys(SOUNDS);
const KEPT = "swathe-sounds";
// Alarms and gaps that are there when the page is opened are seen, not heard: all of them arrive
// before the second beat.
const OPENING_BEATS = 2;
// Where many gaps open, one tone in this time.
const GAPS_MS = 10_000;

/** The kind of sound of an alarm. */
export const soundOf = (alarm) => KINDS.find((kind) => SOUNDS[kind].alarms?.includes(alarm.kind)) ?? "other";

export class Sounds {
  #station; #tones; #settings = read();
  #known = new Set(); #beats = 0; #paused = null; #alive = null; #gaps = -Infinity;

  constructor(station) {
    this.#station = station;
    this.#tones = new Tones(() => this.onChange());
    this.onChange = () => {};
    station.on("broker", () => { this.#beats += 1; });
    station.on("alarms", ({ raised, initial }) => this.#happened(raised.map((one) => [soundOf(one), `${one.kind} ${one.device} ${one.since}`]), initial));
    station.on("gaps", ({ opened, initial }) => this.#happened(opened.map((gap) => ["gap", `gap ${gap.number} ${gap.opened}`]), initial));
    station.on("run", () => this.#run());
    station.on("connection", () => this.#connection());
    // A browser plays nothing before the first touch of a page.
    for (const kind of ["click", "pointerup", "keydown"]) {
      document.addEventListener(kind, (event) => {
        // The switch itself begins and ends it.
        if (this.on && !this.ready && !event.target.closest?.("[data-turn]")) this.#tones.start();
      }, { capture: true });
    }
    document.addEventListener("visibilitychange", () => { if (this.on && !document.hidden) this.#tones.start(); });
  }

  /** Whether sound is chosen; it is played once `ready`, too. */
  get on() {
    return this.#settings.on;
  }

  get ready() {
    return this.#tones.ready;
  }

  /** Choose sound or none. */
  async turn(on) {
    this.#keep({ on });
    if (on) await this.#tones.start();
    if (on) this.#tones.play("note", SOUNDS.gap.pitch);
    this.onChange();
  }

  isChosen(kind) {
    return this.#settings.kinds[kind] !== false;
  }

  choose(kind, yes) {
    this.#keep({ kinds: { ...this.#settings.kinds, [kind]: yes } });
  }

  /** Play the tone of a kind, chosen or not. */
  async sample(kind) {
    await this.#tones.start();
    this.#play(kind);
  }

  #keep(changes) {
    this.#settings = { ...this.#settings, ...changes };
    localStorage.setItem(KEPT, JSON.stringify(this.#settings));
  }

  #play(kind) {
    const { urgency, pitch } = SOUNDS[kind];
    this.#tones.play(urgency, pitch);
  }

  /** Play the most urgent of these kinds that is chosen. */
  #sound(kinds) {
    const chosen = KINDS.find((kind) => kinds.includes(kind) && this.isChosen(kind));
    if (!chosen || !this.on) return;
    const now = performance.now();
    if (chosen === "gap" && now - this.#gaps < GAPS_MS) return;
    if (chosen === "gap") this.#gaps = now;
    this.#play(chosen);
  }

  /** Play the most urgent of events, pairs of kind and identity, that are new to this viewer. */
  #happened(events, initial) {
    const fresh = events.filter(([, identity]) => !this.#known.has(identity));
    for (const [, identity] of fresh) this.#known.add(identity);
    if (!initial && this.#beats >= OPENING_BEATS) this.#sound(fresh.map(([kind]) => kind));
  }

  #run() {
    const paused = this.#station.run.state === "paused";
    if (paused && this.#paused === false) this.#sound(["paused"]);
    this.#paused = paused;
  }

  #connection() {
    const { alive } = this.#station.connection;
    const { run } = this.#station;
    const over = ["complete", "incomplete"].includes(run?.state);
    if (!alive && this.#alive && !over) this.#sound(["contact"]);
    this.#alive = alive;
  }
}

function read() {
  try {
    const kept = JSON.parse(localStorage.getItem(KEPT) ?? "{}");
    return { on: kept.on === true, kinds: kept.kinds ?? {} };
  } catch {
    return { on: false, kinds: {} };
  }
}
