// The figures beside the map: coverage, pace, thinnest place, ports, check, and how old it all is.
import { clock, count, duration, place, speed, thick } from "./words.js";

const $ = (id) => document.getElementById(id);
const set = (id, text) => { if ($(id).textContent !== text) $(id).textContent = text; };

const RUN_WORDS = {
  scanning: "scanning", paused: "PAUSED", complete: "run ended: the plan is covered",
  incomplete: "run ended before the plan was covered", offline: "offline",
};

export class Panels {
  #board;

  constructor(board) {
    this.#board = board;
    board.on("plan", () => this.renew());
    board.on("progress", () => { this.#progress(); this.#check(); });
    board.on("run", () => this.#run());
    board.on("ports", () => this.#ports());
    board.on("broker", () => this.#ports());
    board.on("check", () => this.#check());
    board.on("contact", () => this.contact());
    board.on("place", () => this.#place());
  }

  renew() {
    const { plan } = this.#board;
    if (!plan) return;
    set("part", plan.part || plan.station);
    set("station", plan.station);
    this.#progress();
    this.#run();
    this.#ports();
    this.#check();
    this.#place();
  }

  #run() {
    const { run } = this.#board;
    if (!run) return;
    const why = run.reason && !["scanning", "paused"].includes(run.state) ? ` (${run.reason})` : "";
    set("run", (RUN_WORDS[run.state] ?? run.state) + why);
    this.contact();
  }

  #progress() {
    const { plan, progress } = this.#board;
    if (!plan || !progress) return;
    // Rounded down: what is shown as 100 % is 100 %.
    const percent = Math.floor(progress.percent * 10) / 10;
    set("percent", percent.toFixed(percent === 100 ? 0 : 1));
    $("cover-fill").style.width = `${progress.percent}%`;
    $("cover-bar").setAttribute("aria-valuenow", String(percent));
    const gaps = progress.open_gaps === 1 ? "1 gap open" : `${count(progress.open_gaps)} gaps open`;
    const doubt = progress.suspect ? ` · ${count(progress.suspect)} in doubt` : "";
    const target = plan.target < 100 ? ` · target ${plan.target} %` : "";
    set("cover-text", `${count(progress.measured)} of ${count(progress.required)} cells · ${gaps}${doubt}${target}`);
    const done = progress.measured >= progress.required;
    set("left", done ? "0 s" : progress.seconds_left === null ? "–" : duration(progress.seconds_left));
    this.#pace(progress);
    const thin = progress.minimum !== null && plan.alert_below !== null && progress.minimum < plan.alert_below;
    set("least", progress.minimum === null ? "nothing yet" : `${thick(progress.minimum)}${thin ? " ▼" : ""}`);
    $("least").className = thin ? "ill" : "";
    const at = [`scan ${place(progress.minimum_scan, plan.scan.resolution)}`];
    if (plan.index) at.push(`index ${place(progress.minimum_index, plan.index.resolution)}`);
    const level = plan.alert_below === null ? "" : thin ? `, below the alert level of ${thick(plan.alert_below)}` : `, alert level ${thick(plan.alert_below)}`;
    set("least-at", progress.minimum === null ? "no reading has come" : `at ${at.join(", ")}${level}`);
    $("least-show").disabled = progress.minimum === null;
  }

  #pace(progress) {
    const { speed: now, speed_limit: limit } = progress;
    set("speed", speed(now));
    const rate = `${count(Math.round(progress.rate))} readings/s`;
    set("pace-text", limit === null ? `highest speed not known yet · ${rate}` : `at most ${speed(limit)} · ${rate}`);
    // The limit stands at four fifths of the bar.
    $("pace-fill").style.width = limit ? `${Math.min(100, (now / limit) * 80)}%` : "0";
    $("pace-mark").hidden = limit === null;
    $("pace").classList.toggle("fast", progress.too_fast);
    const over = limit !== null && now > limit;
    set("too-fast", progress.too_fast ? (over ? "▲ TOO FAST: slow down" : "▲ Near the limit: slow down") : "");
  }

  #place() {
    const { plan, at } = this.#board;
    if (!plan) return;
    const [scan, index] = at;
    if (scan === null) return set("place", "Probe: place not known yet");
    const down = plan.index && index !== null ? `, index ${place(index, plan.index.resolution)}` : "";
    set("place", `Probe: scan ${place(scan, plan.scan.resolution)}${down}`);
  }

  #ports() {
    const { ports, broker } = this.#board;
    const lines = [...ports.values()].map((port) => {
      const faults = Object.entries(port.faults).map(([why, n]) => `${count(n)} × ${why}`);
      const tell = [port.state === "open" ? "" : port.detail, `${count(port.bytes)} bytes`];
      if (faults.length) tell.push(`faults: ${faults.join(", ")}`);
      if (port.missing) tell.push(`${count(port.missing)} records lost`);
      if (port.glitches) tell.push(`${count(port.glitches)} impossible positions kept out`);
      if (port.stalls) tell.push(`had to wait ${count(port.stalls)} times`);
      return [port.device, port.state === "open", port.state, tell.filter(Boolean).join(" · ")];
    });
    if (broker) lines.push(["broker", broker.state === "connected", broker.state, [broker.address, broker.detail].filter(Boolean).join(" · ")]);
    const list = $("port-list");
    const text = JSON.stringify(lines);
    if (list.dataset.text === text) return;
    list.dataset.text = text;
    list.replaceChildren(...lines.map(([name, well, state, tell]) => {
      const item = document.createElement("li");
      item.className = well ? "well" : "ill";
      item.append(piece("span", well ? "✓" : "✕", "sign"), piece("strong", `${name}: ${state}`), piece("small", tell));
      item.firstChild.setAttribute("aria-hidden", "true");
      return item;
    }));
  }

  #check() {
    const { checks, progress } = this.#board;
    const check = [...checks.values()].sort((a, b) => b.number - a.number)[0];
    if (check) {
      const off = Math.max(0, ...check.steps.map((step) => Math.abs(step.deviation ?? 0)));
      const verdict = check.passed ? "✓ passed" : check.overridden_by ? `failed, but overridden by ${check.overridden_by}` : "✕ FAILED";
      set("check-text", `${verdict} at ${clock(check.ended)} (${check.phase}), greatest deviation ${thick(off)} of at most ${thick(check.tolerance)}`);
      $("check-text").className = check.passed || check.overridden_by ? "" : "ill";
    } else {
      set("check-text", "none in this survey");
      $("check-text").className = "";
    }
    const due = progress?.check_due ?? null;
    const overdue = Boolean(progress?.check_overdue);
    set("check-due", due === null ? "" : overdue ? `▲ OVERDUE since ${clock(due)}` : `next one due at ${clock(due)}`);
    $("check-due").className = overdue ? "shout" : "";
  }

  /** Old data looks old. */
  contact() {
    const { contact, run } = this.#board;
    const banner = $("banner");
    document.body.classList.toggle("lost", !contact.alive && contact.told === true);
    const over = run !== null && ["complete", "incomplete"].includes(run.state);
    banner.classList.toggle("ended", over);
    let text = "";
    if (!contact.alive && contact.told) {
      const when = contact.since ? clock(contact.since) : "–";
      text = over
        ? `The run ended at ${clock(run.time)}: ${run.state === "complete" ? "the plan is covered" : "not all is covered"}. What you see stays as it was.`
        : `No contact with the station since ${when}: what you see is old`;
    }
    if (banner.textContent !== text) banner.textContent = text;
  }
}

export function piece(tag, text, name = "") {
  const found = document.createElement(tag);
  found.textContent = text;
  if (name) found.className = name;
  return found;
}
