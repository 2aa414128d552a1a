// Tones by Web Audio. Each urgency has a rhythm of its own, each kind of event a pitch of its own.

// Steps of a rhythm: [pitch in semitones above that of the kind, seconds of sound, seconds of pause].
const RHYTHMS = {
  urgent: [[0, 0.11, 0.05], [7, 0.11, 0.05], [0, 0.11, 0.05], [7, 0.11, 0.18], [0, 0.11, 0.05], [7, 0.11, 0.05], [0, 0.11, 0.05], [7, 0.16, 0]],
  soon: [[0, 0.16, 0.09], [0, 0.16, 0.09], [5, 0.24, 0]],
  note: [[4, 0.16, 0.04], [0, 0.28, 0]],
};
const VOLUME = 0.5;
// A tone that would wait longer than this is left out: it would be of the past.
const MAX_WAIT_SECONDS = 8;
// A ramp at both ends: no click.
const RAMP_SECONDS = 0.012;

export class Tones {
  #context = null; #free = 0;

  /** @param onChange called when tones can be played, or cannot any more. */
  constructor(onChange) {
    this.onChange = onChange;
  }

  /** Whether tones can be played. */
  get ready() {
    return this.#context?.state === "running";
  }

  /** Begin; a browser allows it only while a touch, click or key press is handled. */
  async start() {
    this.#context ??= this.#make();
    if (this.#context && this.#context.state !== "running") await this.#context.resume().catch(() => {});
    this.onChange();
    return this.ready;
  }

  #make() {
    if (!("AudioContext" in window)) return null;
    const context = new AudioContext();
    context.addEventListener("statechange", () => this.onChange());
    return context;
  }

  /**
   * Play a tone after those that are still being played.
   * @param urgency key of `RHYTHMS`.
   * @param pitch of its lowest note, Hz.
   */
  play(urgency, pitch) {
    if (!this.ready || this.#free > this.#context.currentTime + MAX_WAIT_SECONDS) return;
    let at = Math.max(this.#context.currentTime + 0.02, this.#free);
    for (const [steps, sound, pause] of RHYTHMS[urgency]) {
      this.#note(pitch * 2 ** (steps / 12), at, sound);
      at += sound + pause;
    }
    this.#free = at + 0.25;
  }

  #note(frequency, from, seconds) {
    const oscillator = this.#context.createOscillator();
    const gain = this.#context.createGain();
    // Overtones are heard where a plant's hum covers a pure tone.
    oscillator.type = "triangle";
    oscillator.frequency.value = frequency;
    gain.gain.setValueAtTime(0, from);
    gain.gain.linearRampToValueAtTime(VOLUME, from + RAMP_SECONDS);
    gain.gain.setValueAtTime(VOLUME, from + seconds - RAMP_SECONDS);
    gain.gain.linearRampToValueAtTime(0, from + seconds);
    oscillator.connect(gain).connect(this.#context.destination);
    oscillator.start(from);
    oscillator.stop(from + seconds);
  }
}
