// What is known of the station now. Each kind of change is told as an event of its name: plan,
// progress, run, gaps, ports, check, place, pixels, stale, broker, contact.

// Places of the probe that are kept: some seconds of a scan.
const TRAIL = 80;

export class Board extends EventTarget {
  constructor() {
    super();
    this.plan = null;
    this.contact = { alive: false, since: null, ended: false };
    this.forget();
  }

  /** Forget everything that a station tells anew when it is met. */
  forget() {
    this.progress = null;
    this.run = null;
    this.gaps = new Map();
    this.closed = new Map();
    this.ports = new Map();
    this.checks = new Map();
    this.broker = null;
    this.at = [null, null];
    this.trail = [];
  }

  tell(name, detail) {
    this.dispatchEvent(new CustomEvent(name, { detail }));
  }

  on(name, listener) {
    this.addEventListener(name, (event) => listener(event.detail));
  }

  takePlan(plan) {
    this.forget();
    this.plan = plan;
    this.trail = plan.trail;
    this.tell("plan", plan);
  }

  /** Take pairs of topic and message. */
  takeNews(pairs) {
    const kinds = new Set();
    const opened = [];
    const ended = [];
    for (const [topic, message] of pairs) {
      const [kind, name] = topic.split("/");
      switch (kind) {
        case "progress": this.progress = message; kinds.add("progress"); break;
        case "state": this.run = message; kinds.add("run"); break;
        case "gap": this.#takeGap(message, opened, ended); kinds.add("gaps"); break;
        case "port": this.ports.set(name, message); kinds.add("ports"); break;
        case "check": this.checks.set(Number(name), message); kinds.add("check"); break;
        default: // A later version may tell more than this page shows.
      }
    }
    if (kinds.has("progress") && this.at[0] === null) this.at = [this.progress.scan, this.progress.index];
    for (const kind of kinds) this.tell(kind, { opened, ended });
  }

  #takeGap(gap, opened, ended) {
    if (gap.status === "open") {
      if (!this.gaps.has(gap.id)) opened.push(gap);
      this.gaps.set(gap.id, gap);
      return;
    }
    if (this.gaps.delete(gap.id)) ended.push(gap);
    this.closed.set(gap.id, gap);
  }

  takePlace(at) {
    const [scan, index] = at;
    const moved = scan !== null && (scan !== this.at[0] || index !== this.at[1]);
    this.at = at;
    if (moved) {
      this.trail.push([scan, index ?? 0]);
      if (this.trail.length > TRAIL) this.trail.splice(0, this.trail.length - TRAIL);
    }
    this.tell("place", at);
  }
}
