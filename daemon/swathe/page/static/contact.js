// The thread to the station: takes its events, notices within two seconds that it is gone, and
// finds it again by itself.

// The station beats twice a second; a beat that is missed thrice is no beat.
const SILENCE_MS = 1700;
const LOOK_MS = 200;
const RETRY_MS = 1000;
// A connection that is open and silent for so long is dead, whatever the browser thinks.
const DEAD_MS = 5000;

export class Contact {
  #board; #onLocked; #source = null; #last = 0; #opened = 0;

  /** @param onLocked called when the station asks for its token. */
  constructor(board, onLocked) {
    this.#board = board;
    this.#onLocked = onLocked;
  }

  start() {
    this.#open();
    setInterval(() => this.#look(), LOOK_MS);
    // A browser keeps pages that were left, with their connections; six of them, and no command
    // would find a free one.
    addEventListener("pagehide", () => this.#source.close());
    addEventListener("pageshow", (event) => { if (event.persisted) this.#open(); });
  }

  /** Try at once, as after the token was given. */
  again() {
    this.#open();
  }

  #open() {
    this.#source?.close();
    this.#opened = performance.now();
    const source = (this.#source = new EventSource("/events"));
    const on = (name, take) =>
      source.addEventListener(name, (event) => {
        if (source !== this.#source) return;
        this.#alive();
        take(JSON.parse(event.data));
      });
    on("plan", (plan) => this.#board.takePlan(plan));
    on("news", (pairs) => this.#board.takeNews(pairs));
    on("pixels", (news) => {
      if (news.patch) this.#board.tell("pixels", news.patch);
      this.#board.takePlace(news.at);
    });
    on("stale", () => this.#board.tell("stale"));
    on("beat", (beat) => {
      this.#board.broker = beat.broker;
      this.#board.viewers = beat.viewers;
      this.#board.tell("broker");
    });
    source.onerror = () => {
      if (source !== this.#source) return;
      this.#lose();
      if (source.readyState === EventSource.CLOSED) this.#askWhy();
    };
  }

  #alive() {
    this.#last = performance.now();
    const contact = this.#board.contact;
    contact.since = new Date();
    if (!contact.alive) {
      contact.alive = true;
      this.#board.tell("contact");
    }
  }

  #lose() {
    const contact = this.#board.contact;
    if (!contact.alive && contact.told) return;
    contact.alive = false;
    contact.told = true;
    contact.since ??= new Date();
    this.#board.tell("contact");
  }

  #look() {
    const now = performance.now();
    const silence = now - Math.max(this.#last, this.#opened);
    if (silence > SILENCE_MS) this.#lose();
    const open = this.#source.readyState;
    if (open === EventSource.CLOSED ? now - this.#opened > RETRY_MS : silence > DEAD_MS) this.#open();
  }

  /** The browser does not say why it was turned away. */
  async #askWhy() {
    try {
      const answer = await fetch("/cell/0/0");
      if (answer.status === 401) this.#onLocked();
    } catch {
      // No contact: the next try tells.
    }
  }
}
