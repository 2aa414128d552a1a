// Keeps the screen on while the page is seen, where the browser can.

const KEPT = "swathe-awake";

export class Awake {
  #lock = null; #refusal = "";

  constructor() {
    this.wanted = localStorage.getItem(KEPT) === "yes";
    this.onChange = () => {};
    // The browser releases the lock when the page is hidden.
    document.addEventListener("visibilitychange", () => this.#request());
    this.#request();
  }

  /** Whether this browser can keep the screen on, on a page with this address. */
  get possible() {
    return "wakeLock" in navigator;
  }

  /** Whether the screen is kept on now. */
  get held() {
    return this.#lock !== null && !this.#lock.released;
  }

  /** What is so, as text. */
  get text() {
    if (!this.possible) {
      return isSecureContext
        ? "This browser cannot keep the screen on: set the device's own screen timeout."
        : "Over plain HTTP a browser does not keep the screen on: set the device's own screen timeout, or open the page over HTTPS.";
    }
    if (this.held) return "The screen stays on while this page is seen.";
    return this.wanted && this.#refusal ? `The device refused to keep the screen on: ${this.#refusal}` : "The screen may turn off by itself.";
  }

  async turn(yes) {
    this.wanted = yes;
    localStorage.setItem(KEPT, yes ? "yes" : "no");
    if (yes) await this.#request();
    else await this.#lock?.release();
    this.onChange();
  }

  async #request() {
    if (!this.wanted || !this.possible || document.hidden || this.held) return;
    try {
      this.#lock = await navigator.wakeLock.request("screen");
      this.#refusal = "";
      this.#lock.addEventListener("release", () => this.onChange());
      if (!this.wanted) await this.#lock.release();
    } catch (error) {
      this.#refusal = error.message;
    }
    this.onChange();
  }
}
