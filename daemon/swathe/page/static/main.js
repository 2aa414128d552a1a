// Creates the parts of the page and connects them.
import { Alarms } from "./alarms.js";
import { Awake } from "./awake.js";
import { Station } from "./station.js";
import { Checking } from "./checking.js";
import { Connection } from "./connection.js";
import { CrawlerBar } from "./crawler.js";
import { loginFromAddress, showLogin } from "./login.js";
import { GapList } from "./gaps.js";
import { GaugePanel } from "./gauge.js";
import { LinePanel } from "./line.js";
import { MapView } from "./map.js";
import { NameDialog } from "./name.js";
import { NextStep } from "./next_step.js";
import { Panels, element } from "./panels.js";
import { PlaceForm } from "./place.js";
import { ProbeTable } from "./probes.js";
import { Reading } from "./reading.js";
import { Doubtful } from "./doubtful.js";
import { beyondNames, showScale } from "./scale.js";
import { Result } from "./result.js";
import { Resuming } from "./resuming.js";
import { Revisions } from "./revisions.js";
import { Sounds } from "./sounds.js";
import { connectSwitches } from "./senses.js";
import { connectTheme } from "./theme_button.js";
import { UndoForm } from "./undo.js";
import { Commands } from "./commands.js";
import { leaveOutRun, viewing } from "./viewing.js";
import { STATE_NAMES, inInches, setInches } from "./labels.js";
import { ZoneForm } from "./zone.js";

const $ = (id) => document.getElementById(id);

// Breadth by length of a part from which on it is shown in sections, and of the sheet for them.
const LONG = 0.14, SECTIONS = 0.55;

leaveOutRun();

const station = new Station();
const panels = new Panels(station);
const map = new MapView(station, $("map"), (row, column) => reading.show(row, column));
const reading = new Reading(station, map);
station.on("plan", ({ scan, index }) => {
  const shape = index ? (index.cells * index.resolution) / (scan.cells * scan.resolution) : 0.25;
  // A very long part is shown in sections, which need some height.
  $("sheet").style.setProperty("--shape", Math.max(shape, shape < LONG ? SECTIONS : 0).toFixed(4));
});
const commands = viewing ? null : runCommands();
function runCommands() {
  const made = new Commands(station, {
    zone: new ZoneForm(station, map, (zone) => made.confirm("exclude", { zone })),
    place: new PlaceForm(station),
    undo: new UndoForm(station),
    names: new NameDialog(),
  });
  return made;
}
const revisions = new Revisions(station, commands);
const doubtful = new Doubtful(station, commands);
const gaps = new GapList(station, map, commands, $("gap-list"));
const alarms = new Alarms(station, map, commands);
const ofRun = viewing ? [] : [new LinePanel(station), new NextStep(station, map), new GaugePanel(station), new ProbeTable(station)];
if (!viewing) {
  connectSwitches(new Sounds(station), new Awake());
  new CrawlerBar(station);
  new Resuming(station);
  new Checking(station);
}
const result = new Result(station);

map.onTheme = (theme) => {
  showScale(station.plan, theme);
  showKey(theme);
  gaps.setTheme(theme);
};

/** Show the key to the patterns of the states. */
function showKey(theme) {
  const states = station.plan.states.filter((state) => state !== "measured" || map.layers === "coverage");
  const named = states.map((state) => [state, STATE_NAMES[state] ?? state]);
  if (map.layers !== "coverage") named.push(...beyondNames(station.plan.scale));
  $("key").replaceChildren(...named.map(([state, name]) => {
    const item = document.createElement("li");
    const swatch = document.createElement("canvas");
    swatch.className = "swatch";
    swatch.setAttribute("aria-hidden", "true");
    theme.swatch(swatch, state);
    item.append(swatch, element("span", name));
    return item;
  }), element("li", `◤ datum: scan 0${station.plan.index ? ", index 0" : ""}`));
  $("scale").hidden = map.layers === "coverage";
}

$("layers").addEventListener("change", (event) => {
  map.setLayers(event.target.value);
  if (map.theme) showKey(map.theme);
});
$("zoom-in").addEventListener("click", () => map.zoom(1.6));
$("zoom-out").addEventListener("click", () => map.zoom(1 / 1.6));
$("fit").addEventListener("click", () => map.fit());
$("follow")?.addEventListener("click", () => {
  map.following = !map.following;
  $("follow").setAttribute("aria-pressed", String(map.following));
  const [scan, index] = station.position;
  if (map.following && scan !== null) map.centreOn(scan, index ?? 0);
});
$("minimum-show").addEventListener("click", () => {
  const { minimum_scan: scan, minimum_index: index } = station.progress;
  map.centreOn(scan, index ?? 0);
  $("sheet").scrollIntoView({ block: "nearest" });
});

station.on("plan", showUnits);
function showUnits() {
  $("units").textContent = inInches() ? "Lengths: inches" : "Lengths: mm";
  $("units").setAttribute("aria-pressed", String(inInches()));
}
$("units").addEventListener("click", () => {
  setInches(!inInches());
  showUnits();
  panels.update();
  gaps.update();
  revisions.update();
  doubtful.update();
  alarms.update();
  reading.update();
  for (const part of ofRun) part.update();
  result.update();
  if (map.theme) map.onTheme(map.theme);
  map.redraw();
});
showUnits();

connectTheme($("theme"), (dark) => map.setDark(dark));

await loginFromAddress();
const connection = new Connection(station, () => showLogin(() => connection.open()));
connection.start();
