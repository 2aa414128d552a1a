// The dead man's switch: while it is held down and the page is visible, `alive` commands are sent.
import { duration } from "./labels.js";
import { myName, newId, post } from "./send.js";

const $ = (id) => document.getElementById(id);
// Interval of the commands, as a share of the time after which the station stops the crawler.
const SHARE = 1 / 3;
const MAX_PENDING = 3;
const OVER = ["complete", "incomplete"];

export class DeadManSwitch {
  #station; #button; #timer = 0; #pending = 0; #error = "";

  constructor(station) {
    this.#station = station;
    const button = (this.#button = $("hold"));
    button.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      button.setPointerCapture(event.pointerId);
      this.#hold();
    });
    for (const kind of ["pointerup", "pointercancel", "lostpointercapture", "blur"]) {
      button.addEventListener(kind, () => this.release());
    }
    button.addEventListener("contextmenu", (event) => event.preventDefault());
    button.addEventListener("keydown", (event) => {
      if (event.key !== " " && event.key !== "Enter") return;
      event.preventDefault();
      if (!event.repeat) this.#hold();
    });
    button.addEventListener("keyup", () => this.release());
    // Whoever views another page does not watch the crawler.
    document.addEventListener("visibilitychange", () => { if (document.hidden) this.release(); });
    for (const kind of ["blur", "pagehide"]) addEventListener(kind, () => this.release());
    for (const kind of ["plan", "crawler", "connection", "run"]) station.on(kind, () => this.#show());
  }

  get #heartbeat() {
    return this.#station.plan?.motion?.heartbeat ?? null;
  }

  #hold() {
    if (this.#timer || document.hidden || !this.#station.connection.alive || this.#heartbeat === null) return;
    this.#error = "";
    this.#timer = setInterval(() => this.#sendAlive(), this.#heartbeat * 1000 * SHARE);
    this.#sendAlive();
    this.#show();
  }

  /** Send no further `alive` commands. */
  release() {
    if (!this.#timer) return;
    clearInterval(this.#timer);
    this.#timer = 0;
    this.#show();
  }

  async #sendAlive() {
    // A late reply must not delay the next command; with this many pending the connection is dead.
    if (this.#pending >= MAX_PENDING) return;
    this.#pending++;
    const command = { command: "alive", id: newId(), by: myName() || "page" };
    const { accepted, detail } = await post(command, this.#heartbeat * 1000);
    this.#pending--;
    const error = accepted ? "" : accepted === null ? "No reply from the station." : `Refused: ${detail}.`;
    if (accepted === false) this.release();
    if (error !== this.#error) { this.#error = error; this.#show(); }
  }

  #show() {
    const { crawler, connection, plan, run } = this.#station;
    const heartbeat = this.#heartbeat;
    $("hold-part").hidden = heartbeat === null || crawler === null || crawler.state === "ended" || OVER.includes(run?.state);
    if (heartbeat === null || crawler === null) return this.release();
    if (!connection.alive) this.release();
    const held = this.#timer !== 0;
    this.#button.setAttribute("aria-pressed", String(held));
    const label = held ? "Held: it may move" : "Hold to let it move";
    if (this.#button.textContent !== label) this.#button.textContent = label;
    const then = plan.motion.when_stopped === "wait" ? "waits for a person at the machine" : "the run ends";
    const within = heartbeat < 10 ? `${Number(heartbeat.toFixed(1))} s` : duration(heartbeat);
    const text = this.#error || `Release it or leave this page: the crawler stops within ${within} and ${then}.`;
    if ($("hold-text").textContent !== text) $("hold-text").textContent = text;
  }
}
