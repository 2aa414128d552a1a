// What is known of the station now. Each kind of change is told as an event of its name: plan,
// progress, run, gaps, alarms, wanted, ports, check, crawler, next, place, pixels, stale, broker,
// contact.

// Places of the probe that are kept: some seconds of a scan.
const TRAIL = 80;
// Of alarms that are over the newest are kept.
const OVER_KEPT = 50;

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
    this.alarms = new Map();
    this.wanted = [];
    this.zones = [];
    this.crawler = null;
    this.next = null;
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
    this.zones = plan.excluded;
    this.tell("plan", plan);
  }

  /** Take pairs of topic and message. */
  takeNews(pairs) {
    const kinds = new Set();
    const opened = [];
    const ended = [];
    const raised = [];
    for (const [topic, message] of pairs) {
      const [kind, name] = topic.split("/");
      switch (kind) {
        case "progress": this.progress = message; kinds.add("progress"); break;
        case "state": this.#takeState(message); kinds.add("run"); break;
        case "alarm": this.#takeAlarm(message, raised); kinds.add("alarms"); break;
        case "rescan": this.wanted = message.wanted; kinds.add("wanted"); break;
        case "crawler": this.crawler = message; kinds.add("crawler"); break;
        case "next": this.next = message; kinds.add("next"); break;
        case "gap": this.#takeGap(message, opened, ended); kinds.add("gaps"); break;
        case "port": this.ports.set(name, message); kinds.add("ports"); break;
        case "check": this.checks.set(Number(name), message); kinds.add("check"); break;
        default: // A later version may tell more than this page shows.
      }
    }
    if (kinds.has("progress") && this.at[0] === null) this.at = [this.progress.scan, this.progress.index];
    for (const kind of kinds) this.tell(kind, { opened, ended, raised });
  }

  #takeState(state) {
    this.run = state;
    const ends = (extent) => (extent === null ? null : [extent.from, extent.to]);
    // Zones that were asked for since stand beside those of the plan.
    if (state.plan) this.zones = state.plan.excluded.map(({ name, scan, index }) => ({ name, scan: ends(scan), index: ends(index) }));
  }

  #takeAlarm(alarm, raised) {
    if (!this.alarms.has(alarm.number) && alarm.status === "raised" && !alarm.acknowledged_by) raised.push(alarm);
    this.alarms.set(alarm.number, alarm);
    const over = [...this.alarms.values()].filter((one) => one.status === "over");
    for (const old of over.slice(0, -OVER_KEPT)) this.alarms.delete(old.number);
  }

  #takeGap(gap, opened, ended) {
    if (gap.status === "open") {
      if (!this.gaps.has(gap.number)) opened.push(gap);
      this.gaps.set(gap.number, gap);
      return;
    }
    if (this.gaps.delete(gap.number)) ended.push(gap);
    this.closed.set(gap.number, gap);
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
