// The crawler of this run: its state as text, and STOP, which is always on the screen.
import { DeadManSwitch } from "./dead_man.js";
import { myName, newId, post, showMessage, showReply } from "./send.js";

const $ = (id) => document.getElementById(id);

const STATES = {
  disarmed: "not armed yet, does not move", armed: "at rest, may move at any moment",
  homing: "MOVING, finding its reference", moving: "MOVING", stopping: "stopping",
  failing: "stopping after a fault", stopped: "stopped, at rest",
  faulted: "stopped by a fault; stay clear until you see that it rests",
  ended: "the run is over",
};
const OVER = ["complete", "incomplete"];
const ATTEMPTS = 8;
const TIMEOUT_MS = 1200;
const RETRY_MS = 250;

export class CrawlerBar {
  #station; #stopping = false;

  constructor(station) {
    this.#station = station;
    new DeadManSwitch(station);
    for (const button of document.querySelectorAll("[data-stop]")) {
      // On press, not on release: a glove may slip off.
      button.addEventListener("pointerdown", () => this.#stop());
      // By keys and other aids; the click that follows a press would be a second one.
      button.addEventListener("click", (event) => { if (event.detail === 0) this.#stop(); });
    }
    for (const kind of ["crawler", "plan", "connection", "run"]) station.on(kind, () => this.#show());
    // The bar must not cover the last line of the page.
    new ResizeObserver(([bar]) => {
      const height = $("crawler").hidden ? 0 : bar.borderBoxSize[0].blockSize;
      document.documentElement.style.setProperty("--foot-bar", `${Math.ceil(height)}px`);
    }).observe($("crawler"));
  }

  #show() {
    const { crawler, connection, run } = this.#station;
    $("crawler").hidden = crawler === null;
    for (const button of document.querySelectorAll("dialog [data-stop]")) button.hidden = crawler === null;
    if (crawler === null) return;
    const lost = !connection.alive && connection.reported;
    const over = OVER.includes(run?.state);
    $("crawler").classList.toggle("moves", crawler.moving && !lost);
    // The run is over and no station receives commands: no button that would do nothing.
    $("crawler").classList.toggle("over", over && lost);
    const set = (id, text) => { if ($(id).textContent !== text) $(id).textContent = text; };
    const state = over ? STATES.ended : lost ? "no connection: its motion is not known" : (STATES[crawler.state] ?? crawler.state);
    const at = crawler.line == null ? "" : `line ${crawler.line} of ${crawler.lines}`;
    // Why it was stopped and what to do stand above everything else then.
    const shown = ["waiting", "faulted"].includes(run?.state);
    const detail = over ? run.reason : lost ? "use the hard-wired stop if it must not move" : [at, ...(shown ? [] : [crawler.doing.replace(`${crawler.state}: `, ""), crawler.todo])].filter(Boolean).join(" · ");
    set("crawler-state", state + (detail ? ":" : ""));
    // A figure keeps its unit where the line ends.
    set("crawler-detail", detail.replace(/(\d) (?=(?:mm|ms|m|s|in|ft)\b)/g, "$1\u00a0"));
  }

  /** Send STOP at once, and again until there is a reply: the same stop twice does no harm. */
  async #stop() {
    if (this.#stopping) return;
    this.#stopping = true;
    const command = { command: "stop", id: newId(), by: myName() || "page" };
    showMessage("Sending STOP …");
    let reply = { accepted: null };
    for (let k = 0; k < ATTEMPTS && reply.accepted === null; k++) {
      if (k) await new Promise((done) => setTimeout(done, RETRY_MS));
      reply = await post(command, TIMEOUT_MS);
    }
    this.#stopping = false;
    if (reply.accepted === null) showMessage("✕ NO REPLY to STOP: use the hard-wired stop", true);
    else if (reply.detail.includes("the run is ending")) showMessage("✓ STOP accepted: the run is ending");
    else showReply(reply);
  }
}
