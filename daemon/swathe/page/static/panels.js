// The figures next to the map: coverage, speed, minimum thickness, ports, calibration check, and
// whether the connection is lost.
import { isOver } from "./result.js";
import { viewing } from "./viewing.js";
import { clock, count, difference, duration, fixed, level, percent, point, speed, stated, thick } from "./labels.js";

const $ = (id) => document.getElementById(id);
const set = (id, text) => { if ($(id).textContent !== text) $(id).textContent = text; };

export class Panels {
  #station;

  constructor(station) {
    this.#station = station;
    station.on("plan", () => this.update());
    station.on("progress", () => { this.#progress(); this.#check(); this.#ports(); this.#position(); });
    station.on("run", () => this.#run());
    station.on("crawler", () => this.#run());
    station.on("ports", () => this.#ports());
    station.on("broker", () => this.#ports());
    station.on("check", () => this.#check());
    station.on("connection", () => { this.connection(); this.#run(); });
    station.on("position", () => this.#position());
  }

  update() {
    const { plan } = this.#station;
    if (!plan) return;
    set("part", plan.part || plan.station);
    set("station", plan.station);
    this.#warnings(plan.warnings);
    this.#progress();
    this.#run();
    this.#ports();
    this.#check();
    this.#position();
  }

  #warnings(texts) {
    const list = $("cover-warnings");
    list.hidden = texts.length === 0;
    list.querySelector("ul").replaceChildren(...texts.map((text) => {
      const item = document.createElement("li");
      item.textContent = text;
      return item;
    }));
  }

  #run() {
    const { run } = this.#station;
    if (!run) return;
    // While it scans the reason is what it does meanwhile, such as placing the survey again.
    const scanning = run.state === "scanning";
    const shown = ["paused", "waiting", "faulted"].includes(run.state) || run.resumed != null;  // where it has room
    const why = run.reason && !scanning && !shown && !isOver(run) ? ` (${run.reason})` : "";
    set("run", this.#station.stateWord(run.state) + why + (viewing ? ", read only" : ""));
    document.body.classList.toggle("waits", ["waiting", "faulted"].includes(run.state));
    // What a crawler does is in its own bar.
    const crawls = this.#station.crawler !== null && !run.reason.startsWith("placing");
    set("run-why", scanning && !crawls ? run.reason : "");
    this.connection();
  }

  #progress() {
    const { plan, progress } = this.#station;
    if (!plan || !progress) return;
    // The message has it rounded down: only full coverage is 100.00 %.
    set("percent", percent(progress.percent));
    $("cover-fill").style.width = `${progress.percent}%`;
    $("cover-bar").setAttribute("aria-valuenow", String(progress.percent));
    const gaps = progress.open_gaps === 1 ? "1 gap open" : `${count(progress.open_gaps)} gaps open`;
    const suspect = progress.suspect ? ` · ${count(progress.suspect)} suspect` : "";
    const target = plan.target < 100 ? ` · target ${plan.target} %` : "";
    set("cover-text", `${count(progress.measured)} of ${count(progress.required)} cells · ${gaps}${suspect}${target}`);
    if (!viewing) {
      const done = progress.measured >= progress.required;
      set("left", done ? "0 s" : progress.seconds_left === null ? "–" : duration(progress.seconds_left));
      this.#speed(progress);
    }
    const thin = progress.minimum !== null && plan.alert_below !== null && progress.minimum < plan.alert_below;
    set("minimum", progress.minimum === null ? (progress.readings ? "none confirmed" : "no reading yet") : `${thick(progress.minimum)}${thin ? " ▼" : ""}`);
    $("minimum").className = thin ? "ill" : "";
    const at = [`scan ${point(progress.minimum_scan)}`];
    if (plan.index) at.push(`index ${point(progress.minimum_index, "index")}`);
    const alert = plan.alert_below === null ? "" : thin ? `, below the alert level of ${level(plan.alert_below)}` : `, alert level ${level(plan.alert_below)}`;
    set("minimum-at", (progress.minimum === null ? "" : `at ${at.join(", ")}${alert}`) + this.#raw(progress, plan));
    $("minimum-show").disabled = progress.minimum === null;
  }

  /** The raw minimum where it is not the confirmed one; empty otherwise. */
  #raw(progress, plan) {
    const { minimum_raw: raw, minimum_raw_scan: scan, minimum_raw_index: index } = progress;
    const same = raw === progress.minimum && scan === progress.minimum_scan && index === progress.minimum_index;
    if (raw === null || raw === undefined || same) return "";
    const at = plan.index ? `scan ${point(scan)}, index ${point(index, "index")}` : `scan ${point(scan)}`;
    return `${progress.minimum === null ? "" : "; "}raw ${thick(raw)} at ${at}, to confirm`;
  }

  #speed(progress) {
    const { speed: now, speed_limit: limit } = progress;
    set("speed", speed(now));
    const rate = `${fixed(progress.rate, 1)}\u00a0readings/s`;
    set("speed-text", limit === null ? `speed limit not known yet · ${rate}` : `limit ${speed(limit)} · ${rate}`);
    // The limit is at four fifths of the bar.
    $("speed-fill").style.width = limit ? `${Math.min(100, (now / limit) * 80)}%` : "0";
    $("speed-mark").hidden = limit === null;
    $("speed-card").classList.toggle("fast", progress.too_fast);
    const over = limit !== null && now > limit;
    set("too-fast", progress.too_fast ? (over ? "▲ TOO FAST: slow down" : "▲ Near the limit: slow down") : "");
  }

  #position() {
    const { plan, position: at, progress } = this.#station;
    if (!plan) return;
    const [scan, index] = at;
    if (viewing) return set("position", "Choose a cell to see its reading and its line.");
    // Of several probes the position is that of their datum.
    const what = plan.probes?.length ? "Datum" : "Probe";
    if (scan === null) return set("position", `${what}: position unknown`);
    const down = plan.index && index !== null ? `, index ${point(index, "index")}` : "";
    set("position", `${what}: scan ${point(scan)}${down}${probesText(progress?.probes ?? [])}`);
  }

  #ports() {
    const { ports, broker, progress } = this.#station;
    const lines = [...ports.values()].map((port) => {
      const faults = Object.entries(port.faults).map(([why, n]) => `${count(n)} × ${why}`);
      const notes = [port.state === "open" ? "" : port.detail, `${count(port.bytes)} bytes`];
      if (faults.length) notes.push(`faults: ${faults.join(", ")}`);
      if (port.missing) notes.push(`${count(port.missing)} records lost`);
      if (port.saturated) notes.push(`${count(port.saturated)} readings clipped: lower the gain`);
      if (port.ambiguous) {
        const reasons = Object.entries(port.ambiguous_by).map(([why, n]) => `${count(n)} ${why}`);
        notes.push(`${count(port.ambiguous)} readings ambiguous: ${reasons.join(", ")}`);
      }
      if (port.glitches) notes.push(`${count(port.glitches)} impossible positions filtered out`);
      for (const times of port.times ?? []) notes.push(times.text);
      if (port.applied_delay) notes.push(port.applied_delay.text);
      if (port.stalls) notes.push(`queue full ${count(port.stalls)} times`);
      // What a port was when the run ended says nothing.
      if (viewing) return [port.device, null, "", notes.slice(1).filter(Boolean).join(" · ")];
      return [port.device, port.state === "open", port.state, notes.filter(Boolean).join(" · ")];
    });
    // What each reads now is in a table of its own.
    if (viewing) for (const probe of progress?.probes ?? []) lines.push(probeLine(probe));
    if (broker) lines.push(["broker", broker.state === "connected", broker.state, [broker.address, broker.detail].filter(Boolean).join(" · ")]);
    const list = $("port-list");
    const text = JSON.stringify(lines);
    if (list.dataset.text === text) return;
    list.dataset.text = text;
    list.replaceChildren(...lines.map(([name, well, state, notes]) => {
      const item = document.createElement("li");
      item.className = well === false ? "ill" : "well";
      const sign = well === null ? "·" : well ? "✓" : "✕";
      item.append(element("span", sign, "sign"), element("strong", state ? `${name}: ${state}` : name), element("small", notes));
      item.firstChild.setAttribute("aria-hidden", "true");
      return item;
    }));
  }

  #check() {
    const { checks, progress } = this.#station;
    // Of several probes first one that failed and has passed none since.
    const made = [...checks.values()].sort((a, b) => a.number - b.number);
    const newest = new Map(made.filter((one) => !one.overridden_by).map((one) => [one.probe, one]));
    const check = [...newest.values()].filter((one) => one.probe && !one.passed).at(-1) ?? made.at(-1);
    if (check) {
      const off = Math.max(0, ...check.steps.map((step) => Math.abs(step.deviation ?? 0)));
      const verdict = check.passed ? "✓ passed" : check.overridden_by ? `failed, overridden by ${check.overridden_by}` : "✕ FAILED";
      const probe = check.probe ? `probe ${check.probe} ` : "";
      set("check-text", `${probe}${verdict} at ${clock(check.ended)} (${check.phase}), largest deviation ${difference(off)}, tolerance ${stated(check.tolerance)}`);
      $("check-text").className = check.passed || check.overridden_by ? "" : "ill";
    } else {
      set("check-text", "none in this survey");
      $("check-text").className = "";
    }
    if (viewing) return;
    const due = progress?.check_due ?? null;
    const overdue = Boolean(progress?.check_overdue);
    set("check-due", due === null ? "" : overdue ? `▲ OVERDUE since ${clock(due)}` : `next due at ${clock(due)}`);
    $("check-due").className = overdue ? "shout" : "";
  }

  /** Show that the data is no longer current. */
  connection() {
    const { connection, run } = this.#station;
    const banner = $("banner");
    document.body.classList.toggle("lost", !connection.alive && connection.reported && !isOver(run));
    const over = isOver(run);
    let text = "";
    if (!connection.alive && connection.reported) {
      const when = connection.since ? clock(connection.since) : "–";
      // How the run ended is said by the result itself.
      text = over ? viewing ? "swathe view has ended: what this page has already stays; cells and lines can no longer be read." : ""
        : `No connection to the station since ${when}${run === null ? "" : `; it was ${this.#station.stateWord(run.state)} then`}: killed, without power, or out of reach. This data is old`;
    }
    if (banner.textContent !== text) banner.textContent = text;
    // What it does now is not known.
    if (text) set("run", "no connection");
  }
}

/** From how many of several probes an echo comes now, and from which none does; empty of a single one. */
function probesText(probes) {
  if (!probes.length) return "";
  const silent = probes.filter((probe) => probe.state !== "echo");
  if (!silent.length) return `; echo from all ${probes.length} probes`;
  if (silent.length === probes.length) return `; no echo from any of ${probes.length} probes`;
  return `; echo from ${probes.length - silent.length} of ${probes.length} probes, none from ${silent.map((probe) => probe.name).join(", ")}`;
}

/** Name, sign, state and notes of one of several probes of a finished survey. */
const probeLine = (probe) =>
  [`probe ${probe.name}`, null, "", `${count(probe.echoes)} of ${count(probe.readings)} readings with an echo`];

/** Return a new element with a text and a class. */
export function element(tag, text, name = "") {
  const made = document.createElement(tag);
  made.textContent = text;
  if (name) made.className = name;
  return made;
}
