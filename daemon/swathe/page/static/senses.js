// The switches for sound and screen, and the dialog in which the sounds are chosen.
import { element } from "./panels.js";
import { showMessage } from "./send.js";
import { SOUNDS } from "./sounds.js";

const $ = (id) => document.getElementById(id);

/** Connect switches and dialog with the sounds and the wake lock. */
export function connectSwitches(sounds, awake) {
  const show = () => {
    const heard = sounds.on && sounds.ready;
    fill($("sound"), "Sound", heard ? "on" : sounds.on ? "starts with the next touch" : "off", heard ? "✓" : sounds.on ? "…" : "✕");
    fill($("awake"), "Awake", awake.held ? "the screen stays on" : awake.possible ? "the screen may turn off" : "the screen cannot be kept on", awake.held ? "✓" : awake.possible ? "✕" : "–");
    $("sounds-turn").textContent = sounds.on ? "Sound off" : "Sound on";
    $("sounds-state").textContent = heard
      ? "Sound is on. The device's own volume applies."
      : sounds.on ? "Sound starts with the next touch of the page: browsers require one."
        : "Sound is off. It begins with a touch of the button: browsers require one.";
    $("awake-turn").textContent = awake.wanted ? "Let the screen turn off" : "Keep the screen on";
    $("awake-turn").hidden = !awake.possible;
    $("awake-state").textContent = awake.text;
  };
  $("sound-kinds").replaceChildren(...Object.entries(SOUNDS).map(([kind, { name }]) => row(sounds, kind, name)));
  sounds.onChange = awake.onChange = show;
  const turnSound = async () => {
    // Chosen earlier, and begun by this touch.
    if (sounds.on && !sounds.ready) await sounds.turn(true);
    else await sounds.turn(!sounds.on);
    showMessage(sounds.on ? "Sound on. “Choose sounds…” at the foot of the page has which." : "Sound off");
  };
  const turnAwake = async () => {
    if (awake.possible) await awake.turn(!awake.wanted);
    showMessage(awake.text, !awake.possible || (awake.wanted && !awake.held));
  };
  for (const id of ["sound", "sounds-turn"]) $(id).addEventListener("click", turnSound);
  for (const id of ["awake", "awake-turn"]) $(id).addEventListener("click", turnAwake);
  $("sounds-open").addEventListener("click", () => $("sounds").showModal());
  show();
}

function fill(button, name, state, sign) {
  const mark = element("span", sign, "sign");
  mark.setAttribute("aria-hidden", "true");
  button.replaceChildren(mark, ` ${name}`);
  button.setAttribute("aria-label", `${name}: ${state}`);
}

function row(sounds, kind, name) {
  const item = document.createElement("li");
  const label = document.createElement("label");
  const box = document.createElement("input");
  box.type = "checkbox";
  box.checked = sounds.isChosen(kind);
  box.dataset.sound = kind;
  box.addEventListener("change", () => sounds.choose(kind, box.checked));
  label.append(box, name);
  const listen = element("button", "Listen");
  listen.type = "button";
  listen.setAttribute("aria-label", `Listen: ${name}`);
  listen.addEventListener("click", () => sounds.sample(kind));
  item.append(label, listen);
  return item;
}
