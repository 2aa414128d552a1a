// The gaps to return to, nearest first; neighbouring gaps of a line as one entry.
import { element } from "./panels.js";
import { viewing } from "./viewing.js";
import { offset } from "./seam.js";
import { CAUSE_STATE, causeName, clock, count, distance, region } from "./labels.js";

const LISTED = 60;
const UPDATE_MS = 400;
// Gaps of one line no farther apart than so many cells are one entry.
const REACH_CELLS = 10;
// Of an entry with many gaps so many are requested at once.
const MAX_REQUESTED = 20;
// Probes of an entry that are named.
const MOST_NAMES = 4;

/** Join neighbouring gaps of one cause on the same lines. */
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
      for (const [cause, n] of Object.entries(gap.causes)) last.causes[cause] = (last.causes[cause] ?? 0) + n;
      for (const probe of gap.probes ?? []) if (!last.probes.includes(probe)) last.probes.push(probe);
    } else {
      found.push({
        ids: [gap.number], cause: gap.cause, cells: gap.cells, causes: { ...gap.causes }, probes: [...gap.probes ?? []],
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

/** Distance of a region from (scan, index), mm, and the direction as an arrow. */
export function away(target, [scan, index], plan) {
  if (scan === null) return [null, ""];
  const across = offset(scan, target.scan, plan.scan);
  const down = plan.index === null || index === null ? 0 : offset(index, target.index, plan.index);
  const direction = across || down
    ? "→↘↓↙←↖↑↗"[Math.round((Math.atan2(down, across) / Math.PI) * 4 + 8) % 8]
    : "•";
  return [Math.hypot(across, down), direction];
}

/** The causes of cells as text: the commonest, then how many have another one. */
function causesText(causes, cells) {
  const [first, ...others] = Object.entries(causes).sort(([, a], [, b]) => b - a);
  const rest = others.map(([cause, n]) => `${count(n)} ${causeName(cause)}`).join(", ");
  return causeName(first[0]) + (rest ? `; ${rest} of ${count(cells)}` : "");
}

export class GapList {
  #station; #map; #commands; #list; #theme = null; #rows = new Map(); #due = 0; #timer = 0;

  constructor(station, map, commands, list) {
    this.#station = station;
    this.#map = map;
    this.#commands = commands;
    this.#list = list;
    this.clusters = [];
    station.on("gaps", (changes) => { this.#announce(changes); this.#gather(); });
    station.on("plan", () => this.#gather());
    station.on("position", () => this.#updateSoon());
    station.on("wanted", () => this.#updateSoon());
    // The order is held while the pointer or the focus is in the list.
    for (const kind of ["pointerleave", "focusout"]) list.addEventListener(kind, () => this.#updateSoon());
  }

  setTheme(theme) {
    this.#theme = theme;
    for (const row of this.#rows.values()) row.cause = null;
    this.update();
  }

  #gather() {
    const { plan, gaps } = this.#station;
    if (!plan) return;
    this.clusters = cluster(gaps.values(), REACH_CELLS * plan.scan.resolution);
    this.#map.chosen.clusters = this.clusters;
    const chosen = this.#map.chosen.cluster;
    if (chosen) this.#map.chosen.cluster = this.clusters.find((one) => one.key === chosen.key) ?? null;
    this.#map.redraw();
    this.#updateSoon();
  }

  #updateSoon() {
    if (this.#timer) return;
    const wait = Math.max(0, this.#due - performance.now());
    this.#timer = setTimeout(() => { this.#timer = 0; this.update(); }, wait);
  }

  /** Update the list; while the pointer or the focus is in it, the order stays. */
  update() {
    this.#due = performance.now() + UPDATE_MS;
    const { plan, position, gaps, closed } = this.#station;
    if (!plan || !this.#theme) return;
    const wanted = new Map(this.#station.wanted.map((one, k) => [one.gap, { ...one, rank: k + 1 }]));
    for (const one of this.clusters) {
      [one.away, one.direction] = away(one, position, plan);
      one.wanted = one.ids.map((id) => wanted.get(id)).find(Boolean) ?? null;
    }
    const rank = (one) => one.wanted?.rank ?? Infinity;
    // Requested re-scans come first.
    const sorted = [...this.clusters].sort((a, b) =>
      (rank(a) === rank(b) ? 0 : rank(a) - rank(b)) || (a.away ?? 0) - (b.away ?? 0) || a.ids[0] - b.ids[0]);
    const busy = this.#list.matches(":hover, :focus-within");
    const shown = busy ? this.#inPresentOrder(sorted) : sorted.slice(0, LISTED);
    this.#show(shown);
    const others = this.#station.gapsNotListed;
    document.getElementById("gap-count").textContent = others
      ? `(${count(this.#station.openGaps)}; the largest and nearest ${count(gaps.size)} are listed)`
      : gaps.size
      ? this.clusters.length === gaps.size ? `(${count(gaps.size)})` : `(${count(gaps.size)} gaps in ${count(this.clusters.length)} regions)`
      : "";
    const more = this.clusters.length - shown.length;
    const text = !gaps.size ? "No open gaps." : others ? `and ${count(more + others)} more` : more > 0 ? `and ${count(more)} more, farther away` : "";
    document.getElementById("gap-more").textContent = text;
    if (!viewing) document.getElementById("rescan-hint").hidden = !shown.length;
    const newest = [...closed.values()].filter((gap) => gap.end === "measured").sort((a, b) => b.closed.localeCompare(a.closed))[0];
    document.getElementById("gap-closed").textContent = newest
      ? `Last closed: gap ${newest.number}, at ${clock(newest.closed)}` : "";
  }

  #inPresentOrder(sorted) {
    const order = new Map([...this.#list.children].map((row, k) => [row.dataset.key, k]));
    const kept = sorted.filter((one) => order.has(one.key));
    kept.sort((a, b) => order.get(a.key) - order.get(b.key));
    return [...kept, ...sorted.filter((one) => !order.has(one.key))].slice(0, LISTED);
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
      const made = document.createElement(tag);
      made.className = name;
      button.append(made);
      return made;
    };
    const rescan = document.createElement("button");
    rescan.type = "button";
    rescan.className = "rescan";
    rescan.append(element("span", "Re-scan"));
    rescan.addEventListener("click", () => this.#rescan(key));
    const row = {
      item, button, rescan, cause: null, swatch: part("swatch", "canvas"), name: part("unseen"),
      where: part("where"), details: part("details"), request: part("request"), away: part("away"),
    };
    row.swatch.setAttribute("aria-hidden", "true");
    row.far = document.createElement("span");
    row.direction = document.createElement("span");
    row.direction.setAttribute("aria-hidden", "true");
    row.away.append(row.far, " ", row.direction);
    const highlight = (yes) => this.#highlight(key, yes);
    button.addEventListener("pointerenter", () => highlight(true));
    button.addEventListener("pointerleave", () => highlight(button === document.activeElement));
    button.addEventListener("focus", () => highlight(true));
    button.addEventListener("blur", () => highlight(false));
    button.addEventListener("click", () => this.#showOnMap(key));
    item.append(button);
    if (!viewing) item.append(rescan);
    this.#rows.set(key, row);
    return row;
  }

  #fill(row, one) {
    const { plan } = this.#station;
    if (row.cause !== one.cause) {
      row.cause = one.cause;
      this.#theme.swatch(row.swatch, CAUSE_STATE[one.cause] ?? "unvisited");
    }
    const scan = region({ scan: plan.scan, index: null }, one.scan, null);
    const index = region({ scan: null, index: plan.index }, null, one.index);
    const set = (part, text) => { if (part.textContent !== text) part.textContent = text; };
    set(row.where, scan);
    const more = one.probes.length - MOST_NAMES;
    const probes = one.probes.length ? `probe ${one.probes.slice(0, MOST_NAMES).join(", ")}${more > 0 ? ` and ${more} more` : ""}` : "";
    set(row.details, [causesText(one.causes, one.cells), probes, index, `${count(one.cells)} ${one.cells === 1 ? "cell" : "cells"}`].filter(Boolean).join(" · "));
    set(row.name, `Gap ${one.name}: `);
    row.item.classList.toggle("wanted", one.wanted !== null);
    set(row.request, one.wanted ? `★ re-scan requested by ${one.wanted.by}, number ${one.wanted.rank}` : "");
    row.rescan.hidden = one.wanted !== null;
    row.rescan.setAttribute("aria-label", `Re-scan gap ${one.name}`);
    set(row.far, one.away === null ? "" : one.away === 0 ? "here" : distance(one.away));
    set(row.direction, one.away ? one.direction : "");
  }

  #highlight(key, yes) {
    const { chosen } = this.#map;
    if (yes) chosen.cluster = this.clusters.find((one) => one.key === key) ?? null;
    else if (chosen.cluster?.key === key) chosen.cluster = null;
    for (const [name, row] of this.#rows) row.button.classList.toggle("chosen", chosen.cluster?.key === name);
    this.#map.redraw();
  }

  #showOnMap(key) {
    const one = this.clusters.find((found) => found.key === key);
    if (!one) return;
    this.#highlight(key, true);
    this.#map.centreOnRegion(one.scan, one.index);
    document.getElementById("sheet").scrollIntoView({ block: "nearest" });
  }

  #rescan(key) {
    const one = this.clusters.find((found) => found.key === key);
    if (!one) return;
    const { plan } = this.#station;
    const gaps = one.ids.slice(0, MAX_REQUESTED);
    const at = region(plan, one.scan, one.index);
    const title = one.ids.length === 1 ? `Re-scan gap ${one.name}?` : `Re-scan ${gaps.length} gaps (${one.name})?`;
    this.#commands.confirm("rescan", { gaps, title, text: `${at}: ${causesText(one.causes, one.cells)}. It becomes the first of the gaps to return to.` });
  }

  /** Announce opened and closed gaps to screen readers. */
  #announce({ opened, ended }) {
    this.pending ??= { opened: [], ended: 0 };
    this.pending.opened.push(...opened);
    this.pending.ended += ended.filter((gap) => gap.end === "measured").length;
    this.announceTimer ??= setTimeout(() => {
      const { opened: found, ended: closed } = this.pending;
      this.pending = this.announceTimer = null;
      const { plan, gaps } = this.#station;
      const parts = [];
      if (found.length === 1) parts.push(`Gap ${found[0].number} opened: ${causeName(found[0].cause)}, ${region({ scan: plan.scan, index: null }, [found[0].scan.from, found[0].scan.to], null)}`);
      else if (found.length) parts.push(`${found.length} gaps opened`);
      if (closed) parts.push(`${closed} ${closed === 1 ? "gap" : "gaps"} closed`);
      if (parts.length) document.getElementById("live").textContent = `${parts.join(", ")}; ${this.#station.openGaps} open.`;
    }, 2000);
  }
}
