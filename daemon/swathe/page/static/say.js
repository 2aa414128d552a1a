// What the station is told from here, by name. Nothing is sent without a second step, but a stop of
// the crawler (see crawl.js).
import { keepName, myName, send, tell } from "./send.js";

const $ = (id) => document.getElementById(id);

const SAYINGS = {
  "next line": { title: "Go on with the next line?", text: "What comes from now on belongs to the next line.", yes: "Next line" },
  line: { title: "Go on with another line?", text: "What comes from now on belongs to that line.", yes: "Go to this line", rows: ["line"] },
  note: { title: "A note for the survey", text: "It is kept with the time in the survey's journal.", yes: "Keep the note", rows: ["note"] },
  pause: { title: "Pause?", text: "Readings belong to no cell until somebody lets it go on.", yes: "Pause", rows: ["why"], grave: true },
  resume: { title: "Go on after the pause?", text: "Readings count again.", yes: "Go on" },
  rescan: { title: "", text: "It comes first among the places to go back to.", yes: "Scan it again" },
  acknowledge: { title: "", text: "You have seen it; this mends nothing. It is kept with your name and the time.", yes: "Acknowledge" },
  exclude: { title: "Leave a zone out", text: "Its cells are not asked for any more. This cannot be taken back in this survey.", yes: "Leave this zone out", rows: ["zone"], grave: true },
  stop: { title: "Stop the run?", text: "The survey is kept and can be gone on with. This ends the recording and is no emergency stop.", yes: "Stop the run", grave: true },
};
const ROWS = ["line", "note", "why", "zone"];

export class Say {
  #board; #what = null; #about = {}; #zone;

  /** @param zone the form of a zone. */
  constructor(board, zone) {
    this.#board = board;
    this.#zone = zone;
    for (const button of document.querySelectorAll("[data-say]")) {
      button.addEventListener("click", () => this.ask(button.dataset.say));
    }
    board.on("plan", (plan) => {
      for (const button of document.querySelectorAll("[data-stepped]")) button.hidden = !plan.stepped;
    });
    board.on("contact", () => {
      for (const button of document.querySelectorAll("[data-say]")) button.disabled = !board.contact.alive;
    });
    const show = () => this.#offer();
    board.on("run", show);
    board.on("crawler", show);
    board.on("plan", show);
    $("ask").addEventListener("close", () => this.#answered());
  }

  /** What makes sense now: a pause or its end; a run with a crawler has another stop. */
  #offer() {
    const { run, crawler } = this.#board;
    const paused = run?.state === "paused";
    for (const button of document.querySelectorAll("[data-say=pause]")) button.hidden = paused;
    for (const button of document.querySelectorAll("[data-say=resume]")) button.hidden = !paused;
    for (const button of document.querySelectorAll("[data-say=stop]")) button.hidden = crawler !== null;
  }

  /**
   * Ask whether something is to be said.
   * @param about what it is about: numbers of gaps or alarms, a title of its own, a zone.
   */
  ask(what, about = {}) {
    this.#what = what;
    this.#about = about;
    const { title, text, yes, rows = [], grave = false } = SAYINGS[what];
    $("ask-title").textContent = about.title ?? title;
    const moved = what === "pause" && this.#board.crawler !== null ? " The crawler stops." : "";
    $("ask-text").textContent = (about.text ?? text) + moved;
    $("ask-yes").textContent = yes;
    $("ask-yes").classList.toggle("grave", grave);
    for (const name of ROWS) {
      const row = $(`ask-${name}-row`);
      row.hidden = !rows.includes(name);
      // What is hidden is not asked for.
      for (const control of row.querySelectorAll("input, textarea")) control.disabled = row.hidden;
    }
    const { plan, progress } = this.#board;
    $("ask-line").value = String((progress?.line ?? -1) + 1);
    $("ask-line").max = String((plan?.index?.cells ?? 1) - 1);
    $("ask-note").value = $("ask-why").value = "";
    if (what === "exclude") this.#zone.fill(about.zone ?? null);
    $("ask-by").value = myName();
    $("ask").returnValue = "no";
    $("ask").showModal();
    if (myName() && !rows.length) $("ask-yes").focus();
  }

  #answered() {
    this.#zone.closed();
    if ($("ask").returnValue !== "yes") return;
    const by = $("ask-by").value.trim();
    if (!by) return tell("✕ Nothing told: the name was empty.", true);
    keepName(by);
    const command = { command: this.#what, by };
    switch (this.#what) {
      case "line": command.line = Math.max(0, Math.floor(Number($("ask-line").value))); break;
      case "note": command.text = $("ask-note").value.trim(); break;
      case "pause": command.text = $("ask-why").value.trim(); break;
      case "exclude": command.zone = this.#zone.read(); break;
      case "rescan": send(this.#about.gaps.map((gap) => ({ ...command, gap }))); return;
      case "acknowledge": send(this.#about.alarms.map((alarm) => ({ ...command, alarm }))); return;
      default: // nothing more to say
    }
    if (this.#what === "note" && !command.text) return tell("✕ Nothing noted: the note was empty.", true);
    send([command]);
  }
}
