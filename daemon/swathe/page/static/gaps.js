// The places to go back to, nearest first; gaps of a stretch together, as one would drive them.
import { piece } from "./panels.js";
import { CAUSE_STATE, clock, count, distance, stretch, where } from "./words.js";

const LISTED = 60;
const RENEW_MS = 400;
// Gaps of one line no farther apart than so many cells are one place to go back to.
const REACH_CELLS = 10;
// Of a place with many gaps so many are asked for at once.
const MOST_ASKED = 20;

/** Gather gaps of one cause side by side on the same lines. */
export function cluster(gaps, reach) {
  const sorted = [...gaps].sort((a, b) =>
    a.index.from - b.index.from || a.index.to - b.index.to || a.cause.localeCompare(b.cause) || a.scan.from - b.scan.from);
  const found = [];
  for (const gap of sorted) {
    const last = found.at(-1);
    if (last && last.index[0] === gap.index.from && last.index[1] === gap.index.to &&
        last.cause === gap.cause && gap.scan.from - last.scan[1] <= reach) {
      last.ids.push(gap.number);
      last.scan[1] = Math.max(last.scan[1], gap.scan.to);
      last.cells += gap.cells;
    } else {
      found.push({
        ids: [gap.number], cause: gap.cause, cells: gap.cells,
        scan: [gap.scan.from, gap.scan.to], index: [gap.index.from, gap.index.to],
      });
    }
  }
  for (const one of found) {
    const low = Math.min(...one.ids), high = Math.max(...one.ids);
    one.key = `${low}`;
    one.name = low === high ? `${low}` : `${low} … ${high}`;
  }
  return found;
}

/** How far a place is from (scan, index), mm, and which way. */
export function away(place, [scan, index], profile) {
  if (scan === null) return [null, ""];
  const off = (at, [low, high]) => (at < low ? low - at : at > high ? high - at : 0);
  const across = off(scan, place.scan);
  const down = profile || index === null ? 0 : off(index, place.index);
  const way = across || down
    ? "→↘↓↙←↖↑↗"[Math.round((Math.atan2(down, across) / Math.PI) * 4 + 8) % 8]
    : "•";
  return [Math.hypot(across, down), way];
}

export class GapList {
  #board; #map; #say; #list; #looks = null; #rows = new Map(); #due = 0; #timer = 0;

  constructor(board, map, say, list) {
    this.#board = board;
    this.#map = map;
    this.#say = say;
    this.#list = list;
    this.clusters = [];
    board.on("gaps", (news) => { this.#announce(news); this.#gather(); });
    board.on("plan", () => this.#gather());
    board.on("place", () => this.#renewSoon());
    board.on("wanted", () => this.#renewSoon());
    // What had to wait while somebody was in the list.
    for (const kind of ["pointerleave", "focusout"]) list.addEventListener(kind, () => this.#renewSoon());
  }

  setLooks(looks) {
    this.#looks = looks;
    for (const row of this.#rows.values()) row.cause = null;
    this.renew();
  }

  #gather() {
    const { plan, gaps } = this.#board;
    if (!plan) return;
    this.clusters = cluster(gaps.values(), REACH_CELLS * plan.scan.resolution);
    this.#map.chosen.clusters = this.clusters;
    const chosen = this.#map.chosen.cluster;
    if (chosen) this.#map.chosen.cluster = this.clusters.find((one) => one.key === chosen.key) ?? null;
    this.#map.ask();
    this.#renewSoon();
  }

  #renewSoon() {
    if (this.#timer) return;
    const wait = Math.max(0, this.#due - performance.now());
    this.#timer = setTimeout(() => { this.#timer = 0; this.renew(); }, wait);
  }

  /** Bring the list up to date; while somebody is in it, nothing changes its place. */
  renew() {
    this.#due = performance.now() + RENEW_MS;
    const { plan, at, gaps, closed } = this.#board;
    if (!plan || !this.#looks) return;
    const wanted = new Map(this.#board.wanted.map((one, k) => [one.gap, { ...one, rank: k + 1 }]));
    for (const one of this.clusters) {
      [one.away, one.way] = away(one, at, plan.index === null);
      one.wanted = one.ids.map((id) => wanted.get(id)).find(Boolean) ?? null;
    }
    const rank = (one) => one.wanted?.rank ?? Infinity;
    // What somebody asked for comes first.
    const sorted = [...this.clusters].sort((a, b) =>
      (rank(a) === rank(b) ? 0 : rank(a) - rank(b)) || (a.away ?? 0) - (b.away ?? 0) || a.ids[0] - b.ids[0]);
    const busy = this.#list.matches(":hover, :focus-within");
    const shown = busy ? this.#inPresentOrder(sorted) : sorted.slice(0, LISTED);
    this.#show(shown);
    document.getElementById("gap-count").textContent = gaps.size
      ? this.clusters.length === gaps.size ? `(${count(gaps.size)})` : `(${count(gaps.size)} gaps in ${count(this.clusters.length)} places)`
      : "";
    const more = this.clusters.length - shown.length;
    const text = !gaps.size ? "Nothing: no gap is left behind." : more > 0 ? `and ${count(more)} places more, farther away` : "";
    document.getElementById("gap-more").textContent = text;
    document.getElementById("again-says").hidden = !shown.length;
    const newest = [...closed.values()].filter((gap) => gap.end === "measured").sort((a, b) => b.closed.localeCompare(a.closed))[0];
    document.getElementById("gap-closed").textContent = newest
      ? `Last one closed: gap ${newest.number}, at ${clock(newest.closed)}` : "";
  }

  #inPresentOrder(sorted) {
    const place = new Map([...this.#list.children].map((row, k) => [row.dataset.key, k]));
    const kept = sorted.filter((one) => place.has(one.key));
    kept.sort((a, b) => place.get(a.key) - place.get(b.key));
    return [...kept, ...sorted.filter((one) => !place.has(one.key))].slice(0, LISTED);
  }

  #show(clusters) {
    const keys = new Set(clusters.map((one) => one.key));
    for (const [key, row] of this.#rows) {
      if (keys.has(key)) continue;
      if (row.item.contains(document.activeElement)) this.#list.parentElement.focus();
      row.item.remove();
      this.#rows.delete(key);
    }
    clusters.forEach((one, k) => {
      const row = this.#rows.get(one.key) ?? this.#makeRow(one.key);
      this.#fill(row, one);
      if (this.#list.children[k] !== row.item) this.#list.insertBefore(row.item, this.#list.children[k] ?? null);
    });
  }

  #makeRow(key) {
    const item = document.createElement("li");
    item.dataset.key = key;
    const button = document.createElement("button");
    button.type = "button";
    button.className = "go";
    const part = (name, tag = "span") => {
      const found = document.createElement(tag);
      found.className = name;
      button.append(found);
      return found;
    };
    const again = document.createElement("button");
    again.type = "button";
    again.className = "again";
    again.append(piece("span", "Re-scan"));
    again.addEventListener("click", () => this.#again(key));
    const row = {
      item, button, again, cause: null, swatch: part("swatch", "canvas"), name: part("unseen"),
      where: part("where"), why: part("why"), wish: part("wish"), away: part("away"),
    };
    row.swatch.setAttribute("aria-hidden", "true");
    row.far = document.createElement("span");
    row.way = document.createElement("span");
    row.way.setAttribute("aria-hidden", "true");
    row.away.append(row.far, " ", row.way);
    const point = (yes) => this.#point(key, yes);
    button.addEventListener("pointerenter", () => point(true));
    button.addEventListener("pointerleave", () => point(button === document.activeElement));
    button.addEventListener("focus", () => point(true));
    button.addEventListener("blur", () => point(false));
    button.addEventListener("click", () => this.#goTo(key));
    item.append(button, again);
    this.#rows.set(key, row);
    return row;
  }

  #fill(row, one) {
    const { plan } = this.#board;
    if (row.cause !== one.cause) {
      row.cause = one.cause;
      this.#looks.swatch(row.swatch, CAUSE_STATE[one.cause] ?? "unvisited");
    }
    const scan = `scan ${stretch(...one.scan, plan.scan.resolution)}`;
    const index = plan.index ? `index ${stretch(...one.index, plan.index.resolution).replace(" to ", "–")}` : "";
    const set = (part, text) => { if (part.textContent !== text) part.textContent = text; };
    set(row.where, scan.replace(" to ", "–"));
    set(row.why, [`${one.cause}`, index, `${count(one.cells)} ${one.cells === 1 ? "cell" : "cells"}`].filter(Boolean).join(" · "));
    set(row.name, `Gap ${one.name}: `);
    row.item.classList.toggle("wanted", one.wanted !== null);
    set(row.wish, one.wanted ? `★ wanted by ${one.wanted.by}, number ${one.wanted.rank}` : "");
    row.again.hidden = one.wanted !== null;
    row.again.setAttribute("aria-label", `Re-scan gap ${one.name}`);
    set(row.far, one.away === null ? "" : one.away === 0 ? "here" : distance(one.away));
    set(row.way, one.away ? one.way : "");
  }

  #point(key, yes) {
    const { chosen } = this.#map;
    if (yes) chosen.cluster = this.clusters.find((one) => one.key === key) ?? null;
    else if (chosen.cluster?.key === key) chosen.cluster = null;
    for (const [name, row] of this.#rows) row.button.classList.toggle("chosen", chosen.cluster?.key === name);
    this.#map.ask();
  }

  #goTo(key) {
    const one = this.clusters.find((found) => found.key === key);
    if (!one) return;
    this.#point(key, true);
    this.#map.lookAt((one.scan[0] + one.scan[1]) / 2, (one.index[0] + one.index[1]) / 2);
    document.getElementById("sheet").scrollIntoView({ block: "nearest" });
  }

  #again(key) {
    const one = this.clusters.find((found) => found.key === key);
    if (!one) return;
    const { plan } = this.#board;
    const gaps = one.ids.slice(0, MOST_ASKED);
    const at = where(plan, one.scan, one.index);
    const title = one.ids.length === 1 ? `Re-scan gap ${one.name}?` : `Re-scan ${gaps.length} gaps (${one.name})?`;
    this.#say.ask("rescan", { gaps, title, text: `${at}: ${one.cause}. It comes first among the places to go back to.` });
  }

  /** Tell those who cannot see the list what opened and closed. */
  #announce({ opened, ended }) {
    this.pending ??= { opened: [], ended: 0 };
    this.pending.opened.push(...opened);
    this.pending.ended += ended.filter((gap) => gap.end === "measured").length;
    this.sayTimer ??= setTimeout(() => {
      const { opened: found, ended: gone } = this.pending;
      this.pending = this.sayTimer = null;
      const { plan, gaps } = this.#board;
      const parts = [];
      if (found.length === 1) parts.push(`Gap ${found[0].number} opened: ${found[0].cause}, scan ${stretch(found[0].scan.from, found[0].scan.to, plan.scan.resolution)}`);
      else if (found.length) parts.push(`${found.length} gaps opened`);
      if (gone) parts.push(`${gone} ${gone === 1 ? "gap" : "gaps"} closed`);
      if (parts.length) document.getElementById("told").textContent = `${parts.join(", ")}; ${gaps.size} open.`;
    }, 2000);
  }
}
