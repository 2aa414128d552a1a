// Puts the board together.
import { Alarms } from "./alarms.js";
import { Board } from "./board.js";
import { Contact } from "./contact.js";
import { Crawl } from "./crawl.js";
import { askForToken, giveFromAddress } from "./door.js";
import { GapList } from "./gaps.js";
import { MapView } from "./map.js";
import { Next } from "./next.js";
import { Panels, piece } from "./panels.js";
import { Reading } from "./reading.js";
import { Say } from "./say.js";
import { STATE_SHORT, inInches, setInches, thick } from "./words.js";
import { ZoneForm } from "./zone.js";

const $ = (id) => document.getElementById(id);
const THEMES = [["", "Theme: auto"], ["light", "Theme: light"], ["dark", "Theme: dark"]];

const board = new Board();
const panels = new Panels(board);
const map = new MapView(board, $("map"), (row, column) => reading.show(row, column));
const reading = new Reading(board, map);
board.on("plan", ({ scan, index }) => {
  const shape = index ? (index.cells * index.resolution) / (scan.cells * scan.resolution) : 0.25;
  $("sheet").style.setProperty("--shape", shape.toFixed(4));
});
const say = new Say(board, new ZoneForm(board, map, (zone) => say.ask("exclude", { zone })));
const gaps = new GapList(board, map, say, $("gap-list"));
const next = new Next(board, map);
const alarms = new Alarms(board, map, say);
new Crawl(board);

map.onRange = (looks) => {
  looks.ramp($("ramp"));
  $("ramp-low").textContent = `≤ ${thick(looks.low)}`;
  $("ramp-high").textContent = thick(looks.high);
  const alert = board.plan.alert_below;
  $("ramp-text").textContent = alert === null ? "thickness" : `✚ below ${thick(alert)}`;
  showKey(looks);
  gaps.setLooks(looks);
};

/** The patterns of the states, as the map shows them. */
function showKey(looks) {
  const states = board.plan.states.filter((state) => state !== "measured" || map.shows === "coverage");
  $("key").replaceChildren(...states.map((state) => {
    const item = document.createElement("li");
    const swatch = document.createElement("canvas");
    swatch.className = "swatch";
    swatch.setAttribute("aria-hidden", "true");
    looks.swatch(swatch, state);
    item.append(swatch, piece("span", STATE_SHORT[state] ?? state));
    return item;
  }));
  $("scale").hidden = map.shows === "coverage";
}

$("shows").addEventListener("change", (event) => {
  map.setShows(event.target.value);
  if (map.looks) showKey(map.looks);
});
$("closer").addEventListener("click", () => map.zoom(1.6));
$("farther").addEventListener("click", () => map.zoom(1 / 1.6));
$("whole").addEventListener("click", () => map.fit());
$("follow").addEventListener("click", () => {
  map.following = !map.following;
  $("follow").setAttribute("aria-pressed", String(map.following));
  const [scan, index] = board.at;
  if (map.following && scan !== null) map.lookAt(scan, index ?? 0);
});
$("least-show").addEventListener("click", () => {
  const { minimum_scan: scan, minimum_index: index } = board.progress;
  map.lookAt(scan, index ?? 0);
  $("sheet").scrollIntoView({ block: "nearest" });
});

function showUnits() {
  $("units").textContent = inInches() ? "Lengths: inches" : "Lengths: mm";
  $("units").setAttribute("aria-pressed", String(inInches()));
}
$("units").addEventListener("click", () => {
  setInches(!inInches());
  showUnits();
  panels.renew();
  gaps.renew();
  next.renew();
  alarms.renew();
  reading.renew();
  if (map.looks) map.onRange(map.looks);
  map.ask();
});
showUnits();

const darkDevice = matchMedia("(prefers-color-scheme: dark)");
function showTheme(theme) {
  if (theme) document.documentElement.dataset.theme = theme;
  else delete document.documentElement.dataset.theme;
  $("theme").textContent = THEMES.find(([name]) => name === theme)[1];
  map.setDark(theme ? theme === "dark" : darkDevice.matches);
}
const kept = localStorage.getItem("swathe-theme") ?? "";
let theme = THEMES.some(([name]) => name === kept) ? kept : "";
$("theme").addEventListener("click", () => {
  const at = THEMES.findIndex(([name]) => name === theme);
  theme = THEMES[(at + 1) % THEMES.length][0];
  localStorage.setItem("swathe-theme", theme);
  showTheme(theme);
});
darkDevice.addEventListener("change", () => showTheme(theme));
showTheme(theme);

await giveFromAddress();
const contact = new Contact(board, () => askForToken(() => contact.again()));
contact.start();
