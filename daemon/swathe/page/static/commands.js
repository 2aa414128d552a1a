// Commands to the station. Each is confirmed with a name before it is sent, except the line before
// and after the present one, which one touch sends with the name given once, and STOP of the crawler
// (see crawler.js).
import { keepName, myName, send, showMessage } from "./send.js";

const $ = (id) => document.getElementById(id);

const COMMANDS = {
  line: { title: "Continue with another line?", text: "Readings from now on belong to that line.", yes: "Set line", rows: ["line"] },
  note: { title: "Note for the survey", text: "It is kept with the time in the survey's journal.", yes: "Save note", rows: ["note"] },
  pause: { title: "Pause?", text: "Readings belong to no cell until somebody resumes.", yes: "Pause", rows: ["reason"], grave: true },
  resume: { title: "Resume?", text: "Readings belong to cells again.", yes: "Resume" },
  // Where the station file lets a stopped crawler continue from the page.
  "let the crawler continue": { title: "Let the crawler continue?", text: "It MOVES: look that nobody is near it and that what stopped it is seen to.", yes: "Everybody is clear: continue", grave: true },
  check: { title: "Check the calibration?", text: "The run pauses. Put the probe on the steps of the block, one after the other; afterwards its place on the part is asked for.", yes: "Begin the check" },
  "check give up": { title: "Give the check up?", text: "It does not count.", yes: "Give up" },
  sensitivity: { title: "Check the reference echo?", text: "The probe is on the reference, held still. Its newest readings are compared with the height that the echo is set to.", yes: "Check" },
  rescan: { title: "", text: "It becomes the first of the gaps to return to.", yes: "Re-scan" },
  acknowledge: { title: "", text: "You have seen it; this does not remove its cause. It is kept with your name and the time.", yes: "Acknowledge" },
  exclude: { title: "Exclude a zone", text: "Its cells are no longer required. This cannot be undone in this survey.", yes: "Exclude zone", rows: ["zone", "reason"], grave: true },
  reference: { title: "I am at", text: "The probe is at rest there now. Readings count from this place on.", yes: "Set position", rows: ["place"], grave: true },
  undo: { title: "Undo readings", text: "Discarded readings count for no cell. Their bytes stay in the journal, and this can be restored.", yes: "Discard readings", rows: ["undo"], grave: true },
  restore: { title: "", text: "", yes: "Restore", rows: ["why"] },
  confirm: { title: "", text: "You say that this thickness is real. It counts for the minimum; your name and reason are kept.", yes: "It is real", rows: ["why"] },
  reject: { title: "", text: "You say that this thickness is spurious. It stays listed with your name and reason, and is confirmed if another pass reads it again.", yes: "It is spurious", rows: ["why"], grave: true },
  stop: { title: "Stop the run?", text: "The survey is kept and can be resumed. This ends the recording and is no emergency stop.", yes: "Stop the run", grave: true },
};
const ROWS = ["line", "note", "reason", "why", "zone", "place", "undo"];
// A second touch within this time is the same touch of a glove.
const TOUCH_MS = 1000;

export class Commands {
  #station; #name = null; #options = {}; #zone; #place; #undo; #names; #touched = false;

  /** @param forms of a zone, a place and an undo, and the dialog for the name. */
  constructor(station, { zone, place, undo, names }) {
    this.#station = station;
    this.#zone = zone;
    this.#place = place;
    this.#undo = undo;
    this.#names = names;
    for (const button of document.querySelectorAll("[data-now]")) {
      button.addEventListener("click", () => this.#sendNow(button.dataset.now));
    }
    for (const button of document.querySelectorAll("[data-command]")) {
      button.addEventListener("click", () => this.confirm(button.dataset.command));
    }
    station.on("plan", (plan) => {
      for (const button of document.querySelectorAll("[data-stepped]")) button.hidden = !plan.stepped;
    });
    station.on("connection", () => {
      for (const button of document.querySelectorAll("[data-command], [data-now]")) button.disabled = !station.connection.alive;
    });
    const show = () => this.#showButtons();
    station.on("run", show);
    station.on("crawler", show);
    station.on("plan", show);
    $("confirm").addEventListener("close", () => this.#closed());
  }

  /** Show pause or resume; a run with a crawler has its own stop. */
  #showButtons() {
    const { run, crawler } = this.#station;
    const paused = run?.state === "paused" || this.#continues();
    for (const button of document.querySelectorAll("[data-command=pause]")) button.hidden = paused;
    for (const button of document.querySelectorAll("[data-command=resume]")) button.hidden = !paused;
    for (const button of document.querySelectorAll("[data-command=sensitivity]")) button.hidden = !paused || !this.#station.plan?.sensitivity;
    for (const button of document.querySelectorAll("[data-command=stop]")) button.hidden = crawler !== null;
  }

  /** Whether a crawler that has stopped may be let continue from this page. */
  #continues() {
    const { run, crawler } = this.#station;
    return Boolean(run?.todo) && Boolean(crawler?.todo) && crawler.resume_from.includes("page");
  }

  /** Send a command with one touch; the name is asked for where none was given yet. */
  async #sendNow(name) {
    if (this.#touched) return;
    if (!myName()) return this.#names.ask(() => this.#sendNow(name));
    this.#touched = true;
    document.body.classList.add("touched");
    await Promise.all([send([{ command: name, by: myName() }]), new Promise((done) => setTimeout(done, TOUCH_MS))]);
    document.body.classList.remove("touched");
    this.#touched = false;
  }

  /**
   * Open the dialog that confirms a command.
   * @param options numbers of gaps, alarms or a revision, a zone, a title or text in place of the default.
   */
  confirm(name, options = {}) {
    this.#name = name;
    this.#options = options;
    const words = name === "resume" && this.#continues() ? "let the crawler continue" : name;
    const { title, text, yes, rows = [], grave = false } = COMMANDS[words];
    $("confirm-title").textContent = options.title ?? title;
    const stops = name === "pause" && this.#station.crawler !== null ? " The crawler stops." : "";
    $("confirm-text").textContent = (options.text ?? text) + stops;
    $("confirm-yes").textContent = yes;
    $("confirm-yes").classList.toggle("grave", grave);
    for (const row of ROWS) {
      const element = $(`confirm-${row}-row`);
      element.hidden = !rows.includes(row);
      // A hidden field is not required.
      for (const control of element.querySelectorAll("input, select, textarea")) control.disabled = element.hidden;
    }
    const { plan, progress } = this.#station;
    $("confirm-line").value = String((progress?.line_now?.number ?? progress?.line ?? -1) + 1);
    $("confirm-line").max = String((plan?.index?.cells ?? 1) - 1);
    $("confirm-note").value = $("confirm-reason").value = $("confirm-why").value = "";
    if (name === "reference") this.#place.fill();
    if (name === "undo") this.#undo.fill();
    if (name === "exclude") this.#zone.fill(options.zone ?? null);
    $("confirm-by").value = myName();
    $("confirm").returnValue = "no";
    $("confirm").showModal();
    if (myName() && !rows.length && words === name) $("confirm-yes").focus();
  }

  #closed() {
    this.#zone.closed();
    if ($("confirm").returnValue !== "yes") return;
    const by = $("confirm-by").value.trim();
    if (!by) return showMessage("✕ Nothing sent: the name is empty.", true);
    keepName(by);
    const command = { command: this.#name, by };
    switch (this.#name) {
      case "line": command.line = Math.max(0, Math.floor(Number($("confirm-line").value))); break;
      case "note": command.text = $("confirm-note").value.trim(); break;
      case "pause": command.text = $("confirm-reason").value.trim(); break;
      case "exclude": Object.assign(command, { zone: this.#zone.read(), text: $("confirm-reason").value.trim() }); break;
      case "reference": {
        const place = this.#place.read();
        if (!place) return showMessage("✕ Nothing sent: no place is given.", true);
        Object.assign(command, place);
        break;
      }
      case "undo": {
        const undo = this.#undo.read();
        if (!undo) return showMessage("✕ Nothing sent: the readings or the reason are missing.", true);
        Object.assign(command, undo);
        break;
      }
      case "restore": Object.assign(command, { revision: this.#options.revision, text: $("confirm-why").value.trim() }); break;
      case "confirm":
      case "reject": Object.assign(command, { number: this.#options.number, text: $("confirm-why").value.trim() }); break;
      case "rescan": send(this.#options.gaps.map((gap) => ({ ...command, gap }))); return;
      case "acknowledge": send(this.#options.alarms.map((alarm) => ({ ...command, alarm }))); return;
      default: // no further fields
    }
    if (this.#name === "note" && !command.text) return showMessage("✕ Nothing sent: the note is empty.", true);
    send([command]);
  }
}
