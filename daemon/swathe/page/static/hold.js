// The dead man's button: while it is held down, and the page is seen, signs of life are sent.
import { duration } from "./words.js";
import { myName, newId, post } from "./send.js";

const $ = (id) => document.getElementById(id);
// Of the time that the station waits for a sign.
const SHARE = 1 / 3;
const MOST_UNDERWAY = 3;
const OVER = ["complete", "incomplete"];

export class Hold {
  #board; #button; #timer = 0; #underway = 0; #trouble = "";

  constructor(board) {
    this.#board = board;
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
    // Nobody who looks elsewhere is there.
    document.addEventListener("visibilitychange", () => { if (document.hidden) this.release(); });
    for (const kind of ["blur", "pagehide"]) addEventListener(kind, () => this.release());
    for (const kind of ["plan", "crawler", "contact", "run"]) board.on(kind, () => this.#show());
  }

  get #heartbeat() {
    return this.#board.plan?.motion?.heartbeat ?? null;
  }

  #hold() {
    if (this.#timer || document.hidden || !this.#board.contact.alive || this.#heartbeat === null) return;
    this.#trouble = "";
    this.#timer = setInterval(() => this.#live(), this.#heartbeat * 1000 * SHARE);
    this.#live();
    this.#show();
  }

  /** Send no more signs of life. */
  release() {
    if (!this.#timer) return;
    clearInterval(this.#timer);
    this.#timer = 0;
    this.#show();
  }

  async #live() {
    // An answer that is late must not keep the next sign back; that many are a dead connection.
    if (this.#underway >= MOST_UNDERWAY) return;
    this.#underway++;
    const command = { command: "alive", id: newId(), by: myName() || "page" };
    const { accepted, detail } = await post(command, this.#heartbeat * 1000);
    this.#underway--;
    const trouble = accepted ? "" : accepted === null ? "No answer from the station." : `The station says no: ${detail}.`;
    if (accepted === false) this.release();
    if (trouble !== this.#trouble) { this.#trouble = trouble; this.#show(); }
  }

  #show() {
    const { crawler, contact, plan } = this.#board;
    const heartbeat = this.#heartbeat;
    $("hold-part").hidden = heartbeat === null || crawler === null || crawler.state === "ended" || OVER.includes(this.#board.run?.state);
    if (heartbeat === null || crawler === null) return this.release();
    if (!contact.alive) this.release();
    const held = this.#timer !== 0;
    this.#button.setAttribute("aria-pressed", String(held));
    const text = held ? "Held: it may move" : "Hold to let it move";
    if (this.#button.textContent !== text) this.#button.textContent = text;
    const then = plan.motion.when_stopped === "wait" ? "waits for a person at the machine" : "the run ends";
    const within = heartbeat < 10 ? `${Number(heartbeat.toFixed(1))} s` : duration(heartbeat);
    const says = this.#trouble || `Let go or leave this page: it stops within ${within} and ${then}.`;
    if ($("hold-says").textContent !== says) $("hold-says").textContent = says;
  }
}
