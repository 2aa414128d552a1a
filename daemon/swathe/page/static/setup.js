// The set-up view: receives the state some eight times a second, and sends what is changed.
import { LiveAscan } from "./live_ascan.js";
import { GateForms } from "./gates.js";
import { ageText, isOld } from "./age.js";
import { loginFromAddress, showLogin } from "./login.js";
import { connectTheme } from "./theme_button.js";
import { NameDialog } from "./name.js";
import { myName } from "./send.js";
import { StripPlot } from "./strip.js";

const SILENCE_MS = 1700;
const $ = (id) => document.getElementById(id);

let state = null, source = null, received = 0;
const names = new NameDialog();
const plot = new LiveAscan($("ascan"));
const strip = new StripPlot($("strip"));
const forms = new GateForms($("gate-list"), act);

/** Send a command; returns the reply, whose `accepted` is null where none came. */
async function act(command) {
  let reply;
  try {
    const answer = await fetch("/setup/command", {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify({ by: myName(), ...command }),
      signal: AbortSignal.timeout(60_000),
    });
    reply = await answer.json();
    if (!answer.ok) reply = { accepted: false, detail: reply.error ?? String(answer.status) };
  } catch {
    reply = { accepted: null, detail: "no reply: look at the state before you try again" };
  }
  $("answer").textContent = `${reply.accepted ? "✓" : "✕"} ${reply.detail}`;
  $("answer").classList.toggle("failed", !reply.accepted);
  return reply;
}

/** Do something in the name that is given once in this browser. */
const named = (then) => (myName() ? then() : names.ask(then));

function show() {
  const { gauge } = state;
  const old = performance.now() - received > SILENCE_MS;
  document.body.classList.toggle("lost", old);
  $("banner").textContent = old ? "No connection to the set-up: what is shown is old" : "";
  const age = gauge.age === null ? null : gauge.age + (performance.now() - received) / 1000;
  $("age").textContent = ageText(age);
  $("age").classList.toggle("old", isOld(age));
  $("figures").classList.toggle("last", isOld(age) || gauge.port !== "open");
}

function draw() {
  const { gauge } = state;
  const has = gauge.ascan !== null;
  $("station").textContent = `${state.station}`;
  document.title = `${state.station}: set-up`;
  $("port").textContent = `${gauge.device}: ${gauge.port}${gauge.detail ? `, ${gauge.detail}` : ""}`;
  $("thickness").textContent = state.thickness;
  $("flight").textContent = gauge.time_of_flight === null ? "–" : `${gauge.time_of_flight.toFixed(3)} µs`;
  $("amplitude").textContent = gauge.amplitude === null ? "–" : `${gauge.amplitude.toFixed(0)} %`;
  $("rate").textContent = gauge.rate === null ? "–" : `${gauge.rate.toFixed(1)} readings/s`;
  $("problem").textContent = gauge.problem;
  $("ascan").hidden = $("whole").hidden = !has;
  plot.update(gauge.ascan);
  const metric = state.units === "mm";
  strip.update(gauge, (value) => gauge.strip_unit !== "mm" ? `${value.toFixed(3)} µs`
    : `${(value / state.mm_per_unit).toFixed(metric ? 2 : 3)} ${state.units}`);
  forms.update(state);
  $("gates-why").textContent = state.locked;
  $("gate-acts").hidden = Boolean(state.locked);
  $("unsaved").textContent = state.unsaved.length ? `In force here, not in the file: ${state.unsaved.join("; ")}` : "";
  $("save").disabled = $("revert").disabled = state.unsaved.length === 0;
  $("calibration").textContent = state.calibration;
  $("refused").hidden = state.refused.length === 0;
  $("refused").textContent = state.refused.length ? `Refused: ${state.refused.join("; ")}` : "";
  $("reference").textContent = state.reference ? `Reference echo ${state.reference}` : "No reference echo: add [sensitivity] with reference and tolerance to the station file.";
  $("sensitivity").textContent = state.sensitivity ? `${state.passed ? "✓" : "✕"} ${state.sensitivity}` : state.reference ? "Not checked yet." : "";
  $("sensitivity").classList.toggle("failed", state.passed === false);
  $("checking").textContent = state.checking ? `Hold the probe on the reference: ${state.checking}` : "";
  $("check").disabled = !state.reference || Boolean(state.checking);
  $("file").textContent = state.file;
  show();
}

function open() {
  source?.close();
  const mine = (source = new EventSource("/setup/events"));
  mine.addEventListener("messages", (event) => {
    for (const [topic, value] of JSON.parse(event.data)) {
      if (topic !== "setup") continue;
      state = value;
      received = performance.now();
    }
    if (state) draw();
  });
  mine.onerror = async () => {
    if (mine !== source || mine.readyState !== EventSource.CLOSED) return;
    try {
      // An event source does not report the status of a refused connection; another request does.
      const answer = await fetch("/setup/command", { method: "POST", headers: { "content-type": "application/json" }, body: "{}" });
      if (answer.status === 401) return showLogin(open);
    } catch {
      // No connection: the next attempt shows.
    }
    setTimeout(open, 1000);
  };
}

$("whole").addEventListener("click", () => {
  plot.whole = !plot.whole;
  $("whole").setAttribute("aria-pressed", String(plot.whole));
  plot.draw();
});
$("save").addEventListener("click", () => named(() => act({ action: "save" })));
$("revert").addEventListener("click", async () => {
  forms.clear();
  await act({ action: "revert" });
});
$("check").addEventListener("click", () => named(() => act({ action: "sensitivity" })));

connectTheme($("theme"));

setInterval(() => { if (state) show(); }, 200);
await loginFromAddress();
open();
