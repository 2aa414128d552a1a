// The station's current data. Each kind of change is emitted as an event of its name: plan,
// opening, progress, run, gaps, alarms, wanted, revisions, confirm, notes, ports, check, checking, crawler, next, position,
// gauge, result, pixels, stale, broker, connection.

import { viewing } from "./viewing.js";
import { setStation } from "./labels.js";

// Positions of the probe that are kept: some seconds of a scan.
const TRAIL = 80;
// Of alarms that are over the newest are kept.
const OVER_KEPT = 50;

export class Station extends EventTarget {
  constructor() {
    super();
    this.plan = null;
    // What is known while the survey is being resumed; null once there is a plan.
    this.opening = null;
    this.clockOffset = 0;
    this.connection = { alive: false, since: null, reported: false };
    this.reset();
  }

  /** Clear everything that the station sends again on a new connection. */
  reset() {
    this.progress = null;
    this.run = null;
    this.gaps = new Map();
    this.gapIndex = null; // of more gaps than have a message of their own: where all of them are
    this.closed = new Map();
    this.alarms = new Map();
    this.wanted = [];
    this.revisions = [];
    this.doubtful = { places: [], total: 0 };
    this.notes = [];
    this.zones = [];
    this.crawler = null;
    this.next = null;
    this.ports = new Map();
    this.checks = new Map();
    this.checking = null;
    this.gauge = null;
    this.broker = null;
    this.position = [null, null];
    this.heading = null; // degrees; null while unknown
    this.trail = [];
  }

  /** The word for a state of the run, as every output has it. */
  stateWord(state) {
    return (this.opening ?? this.plan)?.words.states[state] ?? state;
  }

  /** The heading of a state in which nothing is scanned; undefined for the others. */
  stateTitle(state) {
    return (this.opening ?? this.plan)?.words.titles[state];
  }

  emit(name, detail) {
    this.dispatchEvent(new CustomEvent(name, { detail }));
  }

  on(name, listener) {
    this.addEventListener(name, (event) => listener(event.detail));
  }

  /** The station resumes its survey: nothing else is known of it yet. */
  setOpening(opening) {
    this.reset();
    this.opening = opening;
    this.emit("opening", opening);
  }

  setPlan(plan) {
    this.reset();
    this.opening = null;
    this.plan = plan;
    setStation(plan);
    this.trail = plan.trail;
    this.heading = plan.heading; // it comes again only once the carriage moves
    this.zones = plan.excluded;
    this.emit("plan", plan);
  }

  /** Replace plan and messages at once: the survey was placed again. */
  replace(plan, pairs) {
    const { crawler, broker, position, heading, trail } = this;
    this.reset();
    Object.assign(this, { plan, crawler, broker, position, heading, trail, zones: plan.excluded });
    setStation(plan);
    this.emit("plan", plan);
    this.applyMessages(pairs, true);
  }

  /** The present time of the station, ms since 1970: the viewer's clock may be wrong. */
  now() {
    return Date.now() + this.clockOffset;
  }

  /** Set the station's time, ISO 8601. */
  setTime(time) {
    this.clockOffset = Date.parse(time) - Date.now();
  }

  /**
   * Apply pairs of topic and message.
   * @param initial whether they are of a state that was there before.
   */
  applyMessages(pairs, initial = false) {
    const kinds = new Set();
    const opened = [];
    const ended = [];
    const raised = [];
    for (const [topic, message] of pairs) {
      const [kind, name] = topic.split("/");
      // The others come again with the plan, which they are shown by.
      if (this.opening && kind !== "state" && kind !== "crawler") continue;
      switch (kind) {
        case "progress": this.progress = message; kinds.add("progress"); break;
        case "state": this.#setState(message); kinds.add("run"); break;
        case "alarm": this.#setAlarm(message, raised); kinds.add("alarms"); break;
        case "rescan": this.wanted = message.wanted; kinds.add("wanted"); break;
        case "revisions": this.revisions = message.revisions; kinds.add("revisions"); break;
        case "confirm": this.doubtful = message; kinds.add("confirm"); break;
        case "notes": this.notes = message; kinds.add("notes"); break;
        case "crawler": this.crawler = message; kinds.add("crawler"); break;
        case "next": this.next = message; kinds.add("next"); break;
        case "gap": this.#setGap(Number(name), message, opened, ended); kinds.add("gaps"); break;
        case "gaps": this.gapIndex = message; kinds.add("gaps"); break;
        case "result": this.emit("result", message); break;
        case "port": this.ports.set(name, message); kinds.add("ports"); break;
        case "checking": this.checking = message; kinds.add("checking"); break;
        case "ascan": this.gauge = message; kinds.add("gauge"); break;
        case "check": this.checks.set(Number(name), message); kinds.add("check"); break;
        default: // A later version may send more than this page shows.
      }
    }
    if (kinds.has("progress") && this.position[0] === null && !viewing) {
      this.position = [this.progress.scan, this.progress.index];
      kinds.add("position");
    }
    for (const kind of kinds) this.emit(kind, { opened, ended, raised, initial });
  }

  #setState(state) {
    this.run = state;
    const ends = (extent) => (extent === null ? null : [extent.from, extent.to]);
    // Zones excluded during the run are listed with those of the plan.
    if (state.plan) this.zones = state.plan.excluded.map(({ name, scan, index }) => ({ name, scan: ends(scan), index: ends(index) }));
  }

  #setAlarm(alarm, raised) {
    if (!this.alarms.has(alarm.number) && alarm.status === "raised" && !alarm.acknowledged_by) raised.push(alarm);
    this.alarms.set(alarm.number, alarm);
    const over = [...this.alarms.values()].filter((one) => one.status === "over");
    for (const old of over.slice(0, -OVER_KEPT)) this.alarms.delete(old.number);
  }

  #setGap(number, gap, opened, ended) {
    if (gap === null) { // It is among the many that have no message of their own.
      this.gaps.delete(number);
      this.closed.delete(number);
      return;
    }
    if (gap.status === "open") {
      if (!this.gaps.has(gap.number)) opened.push(gap);
      this.gaps.set(gap.number, gap);
      return;
    }
    if (this.gaps.delete(gap.number)) ended.push(gap);
    this.closed.set(gap.number, gap);
  }

  /** Number of open gaps, those without a message of their own among them. */
  get openGaps() {
    return this.gaps.size + this.gapsNotListed;
  }

  /** Number of open gaps that have no message of their own. */
  get gapsNotListed() {
    return this.gapIndex === null ? 0 : Math.max(0, this.gapIndex.open - this.gapIndex.listed);
  }

  setPosition(position, heading) {
    const [scan, index] = position;
    const moved = scan !== null && (scan !== this.position[0] || index !== this.position[1]);
    this.position = position;
    this.heading = heading ?? null;
    if (moved) {
      this.trail.push([scan, index ?? 0]);
      if (this.trail.length > TRAIL) this.trail.splice(0, this.trail.length - TRAIL);
    }
    this.emit("position", position);
  }
}
