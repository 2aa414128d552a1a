// The crawler of this run: what it does, in words, and a stop that is always within reach.
import { Hold } from "./hold.js";
import { myName, newId, post, tell, tellAnswer } from "./send.js";

const $ = (id) => document.getElementById(id);

const STATES = {
  disarmed: "not armed yet, nothing moves", armed: "at rest, may move at any moment",
  homing: "MOVING, finding its reference", moving: "MOVING", stopping: "stopping",
  failing: "stopping after a fault", stopped: "stopped, at rest",
  faulted: "stopped by a fault; stay clear until you see that it rests",
  ended: "the run is over",
};
const MOVING = ["homing", "moving"];
const OVER = ["complete", "incomplete"];
const TRIES = 8;
const PATIENCE_MS = 1200;
const PAUSE_MS = 250;

export class Crawl {
  #board; #stopping = false;

  constructor(board) {
    this.#board = board;
    new Hold(board);
    for (const button of document.querySelectorAll("[data-stop]")) {
      // As it is pressed, not as it is let go: a glove may slip off.
      button.addEventListener("pointerdown", () => this.#stop());
      // By keys and other aids; of a press this would be a second one.
      button.addEventListener("click", (event) => { if (event.detail === 0) this.#stop(); });
    }
    for (const kind of ["crawler", "plan", "contact", "run"]) board.on(kind, () => this.#show());
    // The last line of a page must not lie beneath the bar.
    new ResizeObserver(([bar]) => {
      const tall = $("crawl").hidden ? 0 : bar.borderBoxSize[0].blockSize;
      document.documentElement.style.setProperty("--foot-bar", `${Math.ceil(tall)}px`);
    }).observe($("crawl"));
  }

  #show() {
    const { crawler, contact, run } = this.#board;
    $("crawl").hidden = crawler === null;
    for (const button of document.querySelectorAll("dialog [data-stop]")) button.hidden = crawler === null;
    if (crawler === null) return;
    const lost = !contact.alive && contact.told === true;
    const over = OVER.includes(run?.state);
    $("crawl").classList.toggle("moves", MOVING.includes(crawler.state) && !lost);
    // The run is over and nobody is there to be told: no button that would do nothing.
    $("crawl").classList.toggle("over", over && lost);
    const set = (id, text) => { if ($(id).textContent !== text) $(id).textContent = text; };
    const state = over ? STATES.ended : lost ? "no contact: what it does is not known" : (STATES[crawler.state] ?? crawler.state);
    const words = over ? run.reason : lost ? "use the hard-wired stop if it must not move" : crawler.words.replace(`${crawler.state}: `, "");
    set("crawl-state", state + (words ? ":" : ""));
    set("crawl-words", words);
  }

  /** At once, and again until there is an answer: the same stop twice does no harm. */
  async #stop() {
    if (this.#stopping) return;
    this.#stopping = true;
    const command = { command: "stop", id: newId(), by: myName() || "page" };
    tell("STOP is being sent …");
    let answer = { accepted: null };
    for (let k = 0; k < TRIES && answer.accepted === null; k++) {
      if (k) await new Promise((done) => setTimeout(done, PAUSE_MS));
      answer = await post(command, PATIENCE_MS);
    }
    this.#stopping = false;
    if (answer.accepted === null) tell("✕ NO ANSWER to STOP: use the hard-wired stop", true);
    else if (answer.detail.includes("the run is ending")) tell("✓ STOP is under way: the run is ending");
    else tellAnswer(answer);
  }
}
