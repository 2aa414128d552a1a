// The name that commands are sent with: given once in this browser, shown, and changed at any time.
import { keepName, myName } from "./send.js";

const $ = (id) => document.getElementById(id);

export class NameDialog {
  #then = null;

  constructor() {
    for (const button of document.querySelectorAll("[data-name]")) button.addEventListener("click", () => this.ask());
    $("name").addEventListener("close", () => this.#closed());
    document.addEventListener("name", () => this.#show());
    this.#show();
  }

  /** Ask for the name, and then do something with it. */
  ask(then = null) {
    this.#then = then;
    $("name-by").value = myName();
    $("name").returnValue = "no";
    $("name").showModal();
    $("name-by").select();
  }

  #closed() {
    const by = $("name-by").value.trim();
    if ($("name").returnValue !== "yes" || !by) return;
    keepName(by);
    this.#then?.();
  }

  #show() {
    for (const button of document.querySelectorAll("[data-name]")) {
      button.textContent = myName() ? `✎ ${myName()}` : "Name…";
      button.setAttribute("aria-label", myName() ? `Your name: ${myName()}` : "Your name…");
    }
  }
}
