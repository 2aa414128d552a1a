// Commands to the station. Each is confirmed with a name before it is sent, except STOP of the
// crawler (see crawler.js).
import { keepName, myName, send, showMessage } from "./send.js";

const $ = (id) => document.getElementById(id);

const COMMANDS = {
  "next line": { title: "Continue with the next line?", text: "Readings from now on belong to the next line.", yes: "Next line" },
  line: { title: "Continue with another line?", text: "Readings from now on belong to that line.", yes: "Set line", rows: ["line"] },
  note: { title: "Note for the survey", text: "It is kept with the time in the survey's journal.", yes: "Save note", rows: ["note"] },
  pause: { title: "Pause?", text: "Readings belong to no cell until somebody resumes.", yes: "Pause", rows: ["reason"], grave: true },
  resume: { title: "Resume?", text: "Readings belong to cells again.", yes: "Resume" },
  rescan: { title: "", text: "It becomes the first of the gaps to return to.", yes: "Re-scan" },
  acknowledge: { title: "", text: "You have seen it; this does not remove its cause. It is kept with your name and the time.", yes: "Acknowledge" },
  exclude: { title: "Exclude a zone", text: "Its cells are no longer required. This cannot be undone in this survey.", yes: "Exclude zone", rows: ["zone"], grave: true },
  reference: { title: "Set the position", text: "The probe is at rest at this place, in mm. Readings count from there on; an empty field leaves its axis.", yes: "Set position", rows: ["place"], grave: true },
  stop: { title: "Stop the run?", text: "The survey is kept and can be resumed. This ends the recording and is no emergency stop.", yes: "Stop the run", grave: true },
};
const ROWS = ["line", "note", "reason", "zone", "place"];

export class Commands {
  #station; #name = null; #options = {}; #zone;

  /** @param zone the form of a zone. */
  constructor(station, zone) {
    this.#station = station;
    this.#zone = zone;
    for (const button of document.querySelectorAll("[data-command]")) {
      button.addEventListener("click", () => this.confirm(button.dataset.command));
    }
    station.on("plan", (plan) => {
      for (const button of document.querySelectorAll("[data-stepped]")) button.hidden = !plan.stepped;
    });
    station.on("connection", () => {
      for (const button of document.querySelectorAll("[data-command]")) button.disabled = !station.connection.alive;
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
    const paused = run?.state === "paused";
    for (const button of document.querySelectorAll("[data-command=pause]")) button.hidden = paused;
    for (const button of document.querySelectorAll("[data-command=resume]")) button.hidden = !paused;
    for (const button of document.querySelectorAll("[data-command=stop]")) button.hidden = crawler !== null;
  }

  /**
   * Open the dialog that confirms a command.
   * @param options numbers of gaps or alarms, a zone, a title or text in place of the default.
   */
  confirm(name, options = {}) {
    this.#name = name;
    this.#options = options;
    const { title, text, yes, rows = [], grave = false } = COMMANDS[name];
    $("confirm-title").textContent = options.title ?? title;
    const stops = name === "pause" && this.#station.crawler !== null ? " The crawler stops." : "";
    $("confirm-text").textContent = (options.text ?? text) + stops;
    $("confirm-yes").textContent = yes;
    $("confirm-yes").classList.toggle("grave", grave);
    for (const row of ROWS) {
      const element = $(`confirm-${row}-row`);
      element.hidden = !rows.includes(row);
      // A hidden field is not required.
      for (const control of element.querySelectorAll("input, textarea")) control.disabled = element.hidden;
    }
    const { plan, progress } = this.#station;
    $("confirm-line").value = String((progress?.line ?? -1) + 1);
    $("confirm-line").max = String((plan?.index?.cells ?? 1) - 1);
    $("confirm-note").value = $("confirm-reason").value = "";
    $("confirm-place-scan").value = $("confirm-place-index").value = "";
    if (name === "exclude") this.#zone.fill(options.zone ?? null);
    $("confirm-by").value = myName();
    $("confirm").returnValue = "no";
    $("confirm").showModal();
    if (myName() && !rows.length) $("confirm-yes").focus();
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
      case "exclude": command.zone = this.#zone.read(); break;
      case "reference":
        for (const axis of ["scan", "index"]) {
          const value = $(`confirm-place-${axis}`).value.trim();
          if (value) command[axis] = Number(value);
        }
        break;
      case "rescan": send(this.#options.gaps.map((gap) => ({ ...command, gap }))); return;
      case "acknowledge": send(this.#options.alarms.map((alarm) => ({ ...command, alarm }))); return;
      default: // no further fields
    }
    if (this.#name === "note" && !command.text) return showMessage("✕ Nothing sent: the note is empty.", true);
    send([command]);
  }
}
