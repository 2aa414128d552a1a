// The connection to the station: receives its events, detects a loss within two seconds, and
// reconnects by itself.

// The station sends a beat twice a second; the connection counts as lost after three missed beats.
const SILENCE_MS = 1700;
const POLL_MS = 200;
const RETRY_MS = 1000;
// A connection that is open and silent for so long is dead, whatever the browser reports.
const DEAD_MS = 5000;

export class Connection {
  #station; #onRefused; #source = null; #last = 0; #opened = 0;

  /** @param onRefused called when the station requires its token. */
  constructor(station, onRefused) {
    this.#station = station;
    this.#onRefused = onRefused;
  }

  start() {
    this.open();
    setInterval(() => this.#poll(), POLL_MS);
    // A browser keeps the connections of pages in its history; six of them leave none for a command.
    addEventListener("pagehide", () => this.#source.close());
    addEventListener("pageshow", (event) => { if (event.persisted) this.open(); });
  }

  /** Connect now, in place of an earlier connection. */
  open() {
    this.#source?.close();
    this.#opened = performance.now();
    const source = (this.#source = new EventSource("/events"));
    const on = (name, handle) =>
      source.addEventListener(name, (event) => {
        if (source !== this.#source) return;
        this.#received();
        handle(JSON.parse(event.data));
      });
    on("opening", (opening) => this.#station.setOpening(opening));
    on("plan", (plan) => this.#station.setPlan(plan));
    on("replaced", ({ plan, messages }) => this.#station.replace(plan, messages));
    on("messages", (pairs) => this.#station.applyMessages(pairs));
    on("pixels", ({ position, heading, patch }) => {
      if (patch) this.#station.emit("pixels", patch);
      this.#station.setPosition(position, heading);
    });
    on("stale", () => this.#station.emit("stale"));
    on("beat", (beat) => {
      this.#station.setTime(beat.time);
      this.#station.broker = beat.broker;
      this.#station.emit("broker");
    });
    source.onerror = () => {
      if (source !== this.#source) return;
      this.#lost();
      if (source.readyState === EventSource.CLOSED) this.#findReason();
    };
  }

  #received() {
    this.#last = performance.now();
    const connection = this.#station.connection;
    connection.since = new Date();
    if (!connection.alive) {
      connection.alive = true;
      this.#station.emit("connection");
    }
  }

  #lost() {
    const connection = this.#station.connection;
    if (!connection.alive && connection.reported) return;
    connection.alive = false;
    connection.reported = true;
    connection.since ??= new Date();
    this.#station.emit("connection");
  }

  #poll() {
    const now = performance.now();
    const silence = now - Math.max(this.#last, this.#opened);
    if (silence > SILENCE_MS) this.#lost();
    const open = this.#source.readyState;
    if (open === EventSource.CLOSED ? now - this.#opened > RETRY_MS : silence > DEAD_MS) this.open();
  }

  /** An event source does not report the status of a refused connection; another request does. */
  async #findReason() {
    try {
      const answer = await fetch("/cell/0/0");
      if (answer.status === 401) this.#onRefused();
    } catch {
      // No connection: the next attempt shows.
    }
  }
}
