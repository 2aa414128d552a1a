// A calibration check within the run: what is to be done, and buttons for each step of the block.
const $ = (id) => document.getElementById(id);
const set = (id, text) => { if ($(id).textContent !== text) $(id).textContent = text; };

export class Checking {
  #station;

  constructor(station) {
    this.#station = station;
    station.on("checking", () => this.update());
  }

  update() {
    const { checking } = this.#station;
    const { active = false, asked = false, text = "", gauge = "", by = "", beyond = false, probes = [] } = checking ?? {};
    $("checking").hidden = !text;
    if (!text) return;
    $("checking").classList.toggle("lost", asked);
    set("checking-title", active ? `Calibration check by ${by}` : "Calibration check");
    set("checking-text", active ? text : text.replace("calibration check ", ""));
    set("checking-gauge", active ? gauge : "");
    set("checking-probes", active ? probes.map((probe) => `${probe.name} ${probe.result}`).join(" · ") : "");
    $("checking-begin").hidden = active;
    const buttons = active && !checking.by_crawler;
    for (const id of ["checking-take", "checking-redo"]) $(id).hidden = !buttons;
    $("checking-skip").hidden = !buttons || !probes.length;
    $("checking-give-up").hidden = !active;
    set("checking-take", beyond ? "Keep the reading" : "Read the step");
  }
}
