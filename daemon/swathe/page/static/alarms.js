// Alarms and the pause, above everything else on the page.
import { viewing } from "./viewing.js";
import { element } from "./panels.js";
import { ALARM_NAMES, clock, region } from "./labels.js";

const $ = (id) => document.getElementById(id);

// The most urgent first.
const ORDER = Object.keys(ALARM_NAMES);
// Of more than so many the rest is folded: the page is about coverage.
const SHOWN = [[matchMedia("(min-width: 100rem)"), 3], [matchMedia("(min-width: 46rem)"), 2]];
const SHOWN_NARROW = 1;
const ANNOUNCE_MS = 300;

// States in which nothing is scanned, until somebody does something.
const STOPS = ["paused", "waiting", "faulted"];

const name = (alarm) => ALARM_NAMES[alarm.kind] ?? alarm.kind[0].toUpperCase() + alarm.kind.slice(1);
const rank = (alarm) => { const k = ORDER.indexOf(alarm.kind); return k < 0 ? ORDER.length : k; };

/** Alarms to show: those that are raised before those that are over, then unacknowledged first, most urgent, newest. */
export function sorted(alarms) {
  return [...alarms]
    .filter((one) => one.status === "raised" || !one.acknowledged_by)
    .sort((a, b) =>
      (a.status === "over") - (b.status === "over") ||
      Boolean(a.acknowledged_by) - Boolean(b.acknowledged_by) || rank(a) - rank(b) || b.number - a.number);
}

export class Alarms {
  #station; #map; #commands; #rows = new Map(); #unfolded = false; #pending = []; #timer = 0; #first = true;

  constructor(station, map, commands) {
    this.#station = station;
    this.#map = map;
    this.#commands = commands;
    station.on("alarms", ({ raised }) => { this.update(); this.#announce(raised); });
    station.on("plan", () => { this.#first = true; this.update(); });
    station.on("run", () => { this.#pause(); this.update(); });
    for (const kind of ["checking", "crawler"]) station.on(kind, () => this.#pause());
    $("alarms-all").addEventListener("click", () => { this.#unfolded = !this.#unfolded; this.update(); });
    $("alarms-acknowledge")?.addEventListener("click", () => this.#acknowledge(this.#fresh()));
    for (const [screen] of SHOWN) screen.addEventListener("change", () => this.update());
  }

  #fresh() {
    return sorted(this.#station.alarms.values()).filter((one) => !one.acknowledged_by);
  }

  update() {
    if (!this.#station.plan) return;
    const found = sorted(this.#station.alarms.values());
    const fresh = found.filter((one) => !one.acknowledged_by);
    const most = SHOWN.find(([screen]) => screen.matches)?.[1] ?? SHOWN_NARROW;
    const folded = found.length > most && !this.#unfolded;
    const shown = folded ? found.slice(0, most) : found;
    $("alarms").hidden = !found.length;
    $("alarms").classList.toggle("fresh", fresh.length > 0);
    $("alarms").classList.toggle("folded", folded);
    // One alarm is its own title.
    $("alarms").classList.toggle("single", found.length === 1);
    const raised = found.filter((one) => one.status === "raised").length;
    const alarms = (n) => (n === 1 ? "alarm" : "alarms");
    $("alarms-title").textContent = fresh.length
      ? viewing ? `${fresh.length} ${alarms(fresh.length)}, not acknowledged` : `${fresh.length} new ${alarms(fresh.length)}` : `${raised} ${alarms(raised)}, acknowledged`;
    document.title = `${fresh.length ? `▲ ${fresh.length} ` : ""}${this.#station.plan.station}: coverage`;
    // A folded alarm has not been seen.
    if (!viewing) {
      $("alarms-acknowledge").hidden = fresh.length < 2 || folded;
      $("alarms-acknowledge").textContent = `Acknowledge all ${fresh.length}…`;
    }
    $("alarms-all").hidden = found.length <= most;
    $("alarms-all").textContent = folded ? `Show all ${found.length}` : "Show fewer";
    $("alarms-all").setAttribute("aria-expanded", String(!folded));
    this.#show(shown);
  }

  #show(alarms) {
    const ids = new Set(alarms.map((one) => one.number));
    for (const [id, row] of this.#rows) {
      if (ids.has(id)) continue;
      if (row.item.contains(document.activeElement)) $("alarms").focus();
      row.item.remove();
      this.#rows.delete(id);
    }
    const list = $("alarm-list");
    alarms.forEach((one, k) => {
      const row = this.#rows.get(one.number) ?? this.#makeRow(one.number);
      this.#fill(row, one);
      if (list.children[k] !== row.item) list.insertBefore(row.item, list.children[k] ?? null);
    });
  }

  #makeRow(id) {
    const item = document.createElement("li");
    const sign = element("span", "", "sign"), what = element("h3", "", "what"), detail = element("p", "", "detail");
    const show = element("button", "Show", "where"), acknowledge = element("button", "Acknowledge…", "seen");
    sign.setAttribute("aria-hidden", "true");
    show.type = acknowledge.type = "button";
    const text = document.createElement("div");
    text.className = "text";
    text.append(what, detail);
    const acts = document.createElement("div");
    acts.className = "acts";
    acts.append(show);
    if (!viewing) acts.append(acknowledge);
    item.append(sign, text, acts);
    show.addEventListener("click", () => this.#showRegion(this.#station.alarms.get(id)));
    acknowledge.addEventListener("click", () => this.#acknowledge([this.#station.alarms.get(id)]));
    const row = { item, sign, what, detail, show, acknowledge };
    this.#rows.set(id, row);
    return row;
  }

  #fill(row, one) {
    const set = (part, text) => { if (part.textContent !== text) part.textContent = text; };
    const seen = Boolean(one.acknowledged_by), over = one.status === "over";
    row.item.className = seen ? "known" : over ? "over" : "new";
    set(row.sign, seen ? "✓" : over ? "△" : "▲");
    set(row.what, name(one) + (one.device ? `: ${one.device}` : ""));
    const when = over ? `from ${clock(one.since)} to ${clock(one.until)}, now over` : `since ${clock(one.since)}`;
    const who = seen ? `acknowledged by ${one.acknowledged_by} at ${clock(one.acknowledged)}` : "";
    const at = one.scan === null ? "" : this.#region(one);
    // While the run waits for a person, why and what to do stand above the alarms.
    const above = one.kind === "crawler halted" && !over && STOPS.includes(this.#station.run?.state);
    set(row.detail, [above ? "" : one.detail, at, when, who].filter(Boolean).join(" · "));
    row.show.hidden = !at;
    row.show.setAttribute("aria-label", `Show on the map: ${at}`);
    row.acknowledge.hidden = seen;
    row.acknowledge.setAttribute("aria-label", `Acknowledge ${name(one)}${at ? `, ${at}` : ""}`);
  }

  #region(one) {
    const ends = (extent) => (extent === null ? null : [extent.from, extent.to]);
    return region(this.#station.plan, ends(one.scan), ends(one.index));
  }

  #showRegion(one) {
    const ends = (extent) => (extent === null ? null : [extent.from, extent.to]);
    this.#map.showRegion(name(one), ends(one.scan), ends(one.index));
  }

  #acknowledge(alarms) {
    const one = alarms[0];
    const title = alarms.length === 1
      ? `Acknowledge: ${name(one)}${one.device ? ` (${one.device})` : ""}?` : `Acknowledge ${alarms.length} alarms?`;
    this.#commands.confirm("acknowledge", { alarms: alarms.map((alarm) => alarm.number), title });
  }

  /** Announce new alarms to screen readers; those of the first moment as one number. */
  #announce(raised) {
    this.#pending.push(...raised);
    if (!this.#pending.length || this.#timer) return;
    this.#timer = setTimeout(() => {
      const found = this.#pending;
      this.#timer = 0;
      this.#pending = [];
      const asNumber = found.length > 3 || (this.#first && found.length > 1);
      this.#first = false;
      $("alarm-live").textContent = asNumber
        ? `${found.length} unacknowledged alarms`
        : found.map((one) => `Alarm: ${name(one)}${one.device ? ` ${one.device}` : ""}, ${one.detail}`).join(". ");
    }, ANNOUNCE_MS);
  }

  #pause() {
    if (viewing) return;
    const { run } = this.#station;
    const title = STOPS.includes(run?.state) ? this.#station.stateTitle(run.state) : undefined;
    // What a person has to do is shown in any state, the end included.
    // By hand a position that is lost has its own bar, with what is to be done.
    const byHand = run?.state === "waiting" && this.#station.crawler === null;
    $("paused").hidden = byHand || (!title && !run?.todo);
    if ($("paused").hidden) return;
    $("paused-title").textContent = title ?? "To do";
    $("paused-todo").textContent = run.todo ? `▶ ${run.todo}` : "";
    $("paused-since").textContent = run.since && title ? `since ${clock(run.since)}${run.by ? `, by ${run.by}` : ""}` : "";
    // The crawler ends its own pauses.
    const own = run.by === "crawler" || /(\(|by )crawler\)?$/.test(run.reason);
    $("paused-reason").textContent = own ? run.reason.replace(/ \(crawler\)$/, "") : run.reason;
    const { crawler } = this.#station;
    const continues = Boolean(run.todo) && Boolean(crawler?.todo) && crawler.resume_from.includes("page");
    $("paused-resume").hidden = !(continues || (run.state === "paused" && !own)) || Boolean(this.#station.checking?.active);
  }
}
