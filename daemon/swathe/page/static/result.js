// The end of a run: what was measured, and files to take along. They are fetched at once and kept in
// memory: the page outlives the station.
import { viewing } from "./viewing.js";
import { element } from "./panels.js";
import { causeName, count, percent, point, thick } from "./labels.js";

const $ = (id) => document.getElementById(id);

/** Whether a run has ended. */
export const isOver = (run) => run !== null && ["complete", "incomplete"].includes(run.state);

/** A size in bytes as text. */
const size = (bytes) => bytes < 1e6 ? `${Math.max(1, Math.round(bytes / 1e3))} kB` : `${(bytes / 1e6).toFixed(1)} MB`;

export class Result {
  #station; #urls = new Map(); #session = null;

  constructor(station) {
    this.#station = station;
    station.on("plan", (plan) => {
      if (plan.session !== this.#session) this.#forget();
      this.#session = plan.session;
      this.update();
    });
    for (const kind of ["run", "progress", "gaps"]) station.on(kind, () => this.update());
    station.on("result", (result) => this.#fetch(result));
  }

  /** Show the figures of the result in place of pace and time left. */
  update() {
    const { run, progress, plan, gaps, closed } = this.#station;
    const over = Boolean(plan && progress) && isOver(run);
    document.body.classList.toggle("over", over);
    document.body.classList.toggle("halted", over && Boolean(run.halted));
    $("result").hidden = !over;
    if (!over) return;
    const covered = run.state === "complete";
    // The reason says what is reached: the whole plan, or the share that is required.
    const reached = covered && run.reason && !viewing ? `${run.reason[0].toUpperCase()}${run.reason.slice(1)}` : "";
    $("result-title").textContent = `${covered ? "✓ " : ""}${reached || this.#station.stateTitle(run.state)}`;
    $("result").classList.toggle("covered", covered);
    const at = plan.index ? `scan ${point(progress.minimum_scan)}, index ${point(progress.minimum_index, "index")}` : `scan ${point(progress.minimum_scan)}`;
    const open = new Map();
    const index = this.#station.gapIndex;
    for (const [cause, n] of Object.entries(index?.causes ?? {})) open.set(cause, n);
    for (const gap of index ? [] : gaps.values()) open.set(gap.cause, (open.get(gap.cause) ?? 0) + 1);
    const causes = [...open].map(([cause, n]) => `${count(n)} ${causeName(cause)}`).join(", ");
    const figures = [
      ["Measured", `${percent(progress.percent)} %, ${count(progress.measured)} of ${count(progress.required)} cells`],
      ["Minimum thickness", progress.minimum === null ? "none confirmed" : `${thick(progress.minimum)} at ${at}`],
      ["Open gaps", progress.open_gaps ? `${count(progress.open_gaps)}${causes ? `: ${causes}` : ""}` : "none"],
      ["Gaps closed", count(closed.size)],
      ["Readings", count(progress.readings)],
    ];
    if (run.since && run.time) figures.push(["Ended", new Date(run.since).toLocaleString([], { hour12: false })]);
    if ((!covered || viewing) && run.reason) figures.unshift([viewing ? "Note" : "Why", run.reason]);
    $("result-figures").replaceChildren(...figures.map(([name, value]) => {
      const pair = document.createElement("div");
      pair.className = ["Note", "Why"].includes(name) ? "wide" : "";
      pair.append(element("dt", name), element("dd", value));
      return pair;
    }));
  }

  async #fetch({ files, where }) {
    $("result-where").textContent = `${viewing ? "Survey" : "Survey on the station's computer"}: ${where}`;
    for (const { name, title, bytes } of files) {
      if (this.#urls.has(name)) continue;
      try {
        const answer = await fetch(`/result/${encodeURIComponent(name)}`);
        if (!answer.ok) throw new Error(`${name}: ${answer.status}`);
        this.#urls.set(name, URL.createObjectURL(await answer.blob()));
      } catch {
        continue; // the station is gone: what is missing is on its computer
      }
      if (viewing && name.endsWith(".png")) this.#show(name, title);
      const link = element("a", `↓ ${title}, ${size(bytes)}`, "download");
      link.href = this.#urls.get(name);
      link.download = name;
      $("result-files").append(link);
    }
  }

  /** Show a picture below the map, where there is room for it. */
  #show(name, title) {
    const figure = document.createElement("figure"), picture = document.createElement("img");
    figure.className = "card compared";
    picture.src = `/result/${encodeURIComponent(name)}`;
    picture.alt = title;
    figure.append(element("figcaption", title), picture);
    document.querySelector(".board").after(figure);
  }

  #forget() {
    for (const figure of document.querySelectorAll(".compared")) figure.remove();
    for (const url of this.#urls.values()) URL.revokeObjectURL(url);
    this.#urls.clear();
    $("result-files").replaceChildren();
    $("result-where").textContent = "";
  }
}
