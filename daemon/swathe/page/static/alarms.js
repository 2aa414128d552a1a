// What somebody should look at now: alarms at the top of the board, and whether it is paused.
import { piece } from "./panels.js";
import { clock, where } from "./words.js";

const $ = (id) => document.getElementById(id);

// What each kind is called, those first that want a hand at once.
const KINDS = {
  "port gone": "Port gone",
  "check failed": "Check of the calibration failed",
  "coupling lost": "Coupling lost",
  "too fast": "Too fast",
  "check overdue": "Check of the calibration overdue",
  "gaps open": "Gap opened",
  "below alert": "Wall below alert level",
};
const ORDER = Object.keys(KINDS);
// More than so many stand folded away until they are asked for: the board is about coverage.
const SHOWN = [[matchMedia("(min-width: 100rem)"), 3], [matchMedia("(min-width: 46rem)"), 2]];
const SHOWN_NARROW = 1;
const TOLD_AFTER_MS = 300;

const name = (alarm) => KINDS[alarm.kind] ?? alarm.kind[0].toUpperCase() + alarm.kind.slice(1);
const rank = (alarm) => { const k = ORDER.indexOf(alarm.kind); return k < 0 ? ORDER.length : k; };

/** Alarms that are shown: nobody's before somebody's, standing before over, gravest, newest. */
export function sorted(alarms) {
  return [...alarms]
    .filter((one) => one.status === "raised" || !one.acknowledged_by)
    .sort((a, b) =>
      Boolean(a.acknowledged_by) - Boolean(b.acknowledged_by) ||
      (a.status === "over") - (b.status === "over") || rank(a) - rank(b) || b.number - a.number);
}

export class Alarms {
  #board; #map; #say; #rows = new Map(); #unfolded = false; #pending = []; #timer = 0; #first = true;

  constructor(board, map, say) {
    this.#board = board;
    this.#map = map;
    this.#say = say;
    board.on("alarms", ({ raised }) => { this.renew(); this.#announce(raised); });
    board.on("plan", () => { this.#first = true; this.renew(); });
    board.on("run", () => this.#pause());
    $("alarms-all").addEventListener("click", () => { this.#unfolded = !this.#unfolded; this.renew(); });
    $("alarms-seen").addEventListener("click", () => this.#acknowledge(this.#fresh()));
    for (const [screen] of SHOWN) screen.addEventListener("change", () => this.renew());
  }

  #fresh() {
    return sorted(this.#board.alarms.values()).filter((one) => !one.acknowledged_by);
  }

  renew() {
    if (!this.#board.plan) return;
    const found = sorted(this.#board.alarms.values());
    const fresh = found.filter((one) => !one.acknowledged_by);
    const most = SHOWN.find(([screen]) => screen.matches)?.[1] ?? SHOWN_NARROW;
    const folded = found.length > most && !this.#unfolded;
    const shown = folded ? found.slice(0, most) : found;
    $("alarms").hidden = !found.length;
    $("alarms").classList.toggle("fresh", fresh.length > 0);
    const standing = found.filter((one) => one.status === "raised").length;
    const alarms = (n) => (n === 1 ? "alarm" : "alarms");
    $("alarms-title").textContent = fresh.length
      ? `${fresh.length} new ${alarms(fresh.length)}` : `${standing} ${alarms(standing)}, acknowledged`;
    document.title = `${fresh.length ? `▲ ${fresh.length} ` : ""}${this.#board.plan.station}: coverage`;
    // Nobody has seen what is folded away.
    $("alarms-seen").hidden = fresh.length < 2 || folded;
    $("alarms-seen").textContent = `Acknowledge all ${fresh.length}…`;
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
    const sign = piece("span", "", "sign"), what = piece("h3", "", "what"), detail = piece("p", "", "detail");
    const place = piece("button", "Show", "where"), seen = piece("button", "Acknowledge…", "seen");
    sign.setAttribute("aria-hidden", "true");
    place.type = seen.type = "button";
    const words = document.createElement("div");
    words.className = "words";
    words.append(what, detail);
    const acts = document.createElement("div");
    acts.className = "acts";
    acts.append(place, seen);
    item.append(sign, words, acts);
    place.addEventListener("click", () => this.#showPlace(this.#board.alarms.get(id)));
    seen.addEventListener("click", () => this.#acknowledge([this.#board.alarms.get(id)]));
    const row = { item, sign, what, detail, place, seen };
    this.#rows.set(id, row);
    return row;
  }

  #fill(row, one) {
    const set = (part, text) => { if (part.textContent !== text) part.textContent = text; };
    const seen = Boolean(one.acknowledged_by), over = one.status === "over";
    row.item.className = seen ? "known" : over ? "gone" : "new";
    set(row.sign, seen ? "✓" : over ? "△" : "▲");
    set(row.what, name(one) + (one.device ? `: ${one.device}` : ""));
    const when = over ? `from ${clock(one.since)} to ${clock(one.until)}, now over` : `since ${clock(one.since)}`;
    const who = seen ? `acknowledged by ${one.acknowledged_by} at ${clock(one.acknowledged)}` : "";
    const at = one.scan === null ? "" : this.#place(one);
    set(row.detail, [one.detail, at, when, who].filter(Boolean).join(" · "));
    row.place.hidden = !at;
    row.place.setAttribute("aria-label", `Show on the map: ${at}`);
    row.seen.hidden = seen;
    row.seen.setAttribute("aria-label", `Acknowledge ${name(one)}${at ? `, ${at}` : ""}`);
  }

  #place(one) {
    const ends = (extent) => (extent === null ? null : [extent.from, extent.to]);
    return where(this.#board.plan, ends(one.scan), ends(one.index));
  }

  #showPlace(one) {
    const ends = (extent) => (extent === null ? null : [extent.from, extent.to]);
    this.#map.showPlace(name(one), ends(one.scan), ends(one.index));
  }

  #acknowledge(alarms) {
    const one = alarms[0];
    const title = alarms.length === 1
      ? `Acknowledge: ${name(one)}${one.device ? ` (${one.device})` : ""}?` : `Acknowledge ${alarms.length} alarms?`;
    this.#say.ask("acknowledge", { alarms: alarms.map((alarm) => alarm.number), title });
  }

  /** Tell those who cannot see the board what is new; what stood there before they came as one. */
  #announce(raised) {
    this.#pending.push(...raised);
    if (!this.#pending.length || this.#timer) return;
    this.#timer = setTimeout(() => {
      const found = this.#pending;
      this.#timer = 0;
      this.#pending = [];
      const many = found.length > 3 || (this.#first && found.length > 1);
      this.#first = false;
      $("alarm-told").textContent = many
        ? `${found.length} alarms stand that nobody has acknowledged`
        : found.map((one) => `Alarm: ${name(one)}${one.device ? ` ${one.device}` : ""}, ${one.detail}`).join(". ");
    }, TOLD_AFTER_MS);
  }

  #pause() {
    const { run } = this.#board;
    const paused = run.state === "paused";
    $("paused").hidden = !paused;
    if (!paused) return;
    // The crawler ends a pause of its own.
    const own = /(\(|by )crawler\)?$/.test(run.reason);
    $("paused-why").textContent = own ? run.reason.replace(/ \(crawler\)$/, "") : run.reason;
    $("paused-resume").hidden = own;
  }
}
