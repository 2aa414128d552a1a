// Numbers and states as text. Lengths arrive in mm and are shown in mm or in inches.
import { viewing } from "./viewing.js";
import { reading } from "./seam.js";

const INCH = 25.4;
const CHOICE = "swathe-units";
let inches = localStorage.getItem(CHOICE) === "in";
let steps = { scan: 1, index: 1 };

export const inInches = () => inches;
export function setInches(yes) {
  inches = yes;
  localStorage.setItem(CHOICE, yes ? "in" : "mm");
}

/** Take the plan's cells, and its unit where the viewer has not chosen another one. */
export function setStation(plan) {
  if (localStorage.getItem(CHOICE) === null) inches = plan.units === "in";
  steps = { scan: plan.scan.resolution, index: plan.index?.resolution ?? 1 };
}

/** A length in mm in the unit in use, and back. */
export const inUnit = (mm) => (inches ? mm / INCH : mm);
export const fromUnit = (length) => (inches ? length * INCH : length);

/** A number with decimals as every other output shows it: exact halves go to the even digit. */
export function fixed(value, digits) {
  const halves = value * 2 ** (digits + 1);
  if (!Number.isInteger(halves) || halves % 2 === 0) return unsigned(value.toFixed(digits));
  const below = Math.floor(value * 10 ** digits);
  return unsigned(((below % 2 === 0 ? below : below + 1) / 10 ** digits).toFixed(digits));
}

/** A number as text; zero without a sign. */
const unsigned = (text) => (Number(text) === 0 ? text.replace("-", "") : text);

/** Coverage, with the decimals of the message. */
export const percent = (share) => fixed(share, 2);

/** A length in inches with decimals. */
const inchText = (mm, digits) => fixed(mm / INCH, digits);

// A number and its unit stay on one line: the space between them does not break.
/** A measured thickness, with the decimals of the message. */
export function thick(mm) {
  if (mm === null || mm === undefined) return "–";
  return inches ? `${inchText(mm, 3)}\u00a0in` : `${fixed(mm, 3)}\u00a0mm`;
}

/** A deviation or an uncertainty of a thickness: one decimal more in inches. */
export const difference = (mm) => inches ? `${inchText(mm, 4)}\u00a0in` : `${fixed(mm, 3)}\u00a0mm`;

/** A thickness that was set, such as the alert level, without trailing zeros. */
export const level = (mm) => inches ? inchText(mm, exactDecimals(mm, [3, 4]) ?? 3) + "\u00a0in" : `${Number(mm.toFixed(3))}\u00a0mm`;

/** A length that was set, such as a tolerance or the place of a mark. */
export function stated(mm) {
  if (!inches) return `${Number(mm.toFixed(3))}\u00a0mm`;
  return `${inchText(mm, exactDecimals(mm, [2, 3]) ?? 4)}\u00a0in`;
}

/** The first of some numbers of decimals in inches that has all of a length. */
const exactDecimals = (mm, some) => some.find((n) => Math.abs(Number((mm / INCH).toFixed(n)) - mm / INCH) < 1e-8);

/** Decimals of a place in inches: those of the cells, or what a tenth of them needs. */
export function inchDecimals(step) {
  const width = step / INCH;
  for (const digits of [2, 3, 4]) {
    if (Math.abs(Number(width.toFixed(digits)) - width) <= 1e-6 * width) return digits;
  }
  return Math.min(Math.max(Math.ceil(-Math.log10(width / 10)), 2), 4);
}

/** A position of the probe or a reading on an axis, with the decimals of the other outputs. */
export const point = (mm, axis = "scan") => position(mm, steps[axis], 2);

/** The place of a line. */
export const linePlace = (mm) => inches ? position(mm, steps.index) : stated(mm);

/** A position on the part, with as many decimals as the cell width needs. */
export function position(mm, step = 1, digits = step >= 1 ? 0 : step >= 0.1 ? 1 : 2) {
  if (mm === null || mm === undefined) return "–";
  return inches ? `${inchText(mm, inchDecimals(step))}\u00a0in` : `${fixed(mm, digits)}\u00a0mm`;
}

/** An extent, with one unit; borders are half a cell from its centre, hence one decimal or more. */
export function extent(low, high, step = 1) {
  const digits = step >= 0.1 ? 1 : 2;
  const [from, to] = [low, high].map((mm) => inches
    ? `${inchText(mm, Math.min(inchDecimals(step) + 1, 4))}\u00a0in` : `${fixed(mm, digits)}\u00a0mm`);
  return from === to ? from : `${from.replace(/\u00a0(mm|in)$/, "")} to ${to}`;
}

/** From the middle of a first cell to that of a last one, with one unit. */
export const stretch = (low, high, step) => `${position(low, step).replace(/\u00a0(mm|in)$/, "")} to ${position(high, step)}`;

/** A region on both axes, as text; null for all of an axis. */
export function region(plan, scan, index) {
  const named = (name, ends, axis) => {
    if (!axis) return "";
    return ends === null ? `all of ${name}` : `${name} ${extent(...reading(ends, axis), axis.resolution).replace(" to ", "–")}`;
  };
  return [named("scan", scan, plan.scan), named("index", index, plan.index)].filter(Boolean).join(", ");
}

export function distance(mm) {
  if (mm === null) return "";
  if (inches) return mm < INCH * 24 ? `${inchText(mm, 1)}\u00a0in` : `${(mm / INCH / 12).toFixed(1)}\u00a0ft`;
  return mm < 1000 ? `${mm.toFixed(0)}\u00a0mm` : `${(mm / 1000).toFixed(1)}\u00a0m`;
}

export function speed(mm) {
  return inches ? `${inchText(mm, 2)}\u00a0in/s` : `${fixed(mm, 1)}\u00a0mm/s`;
}

/** A duration in s, as text. */
export function duration(seconds) {
  const s = Math.round(seconds);
  if (s < 60) return `${s} s`;
  if (s < 3600) return `${Math.floor(s / 60)} min ${String(s % 60).padStart(2, "0")} s`;
  return `${Math.floor(s / 3600)} h ${String(Math.floor((s % 3600) / 60)).padStart(2, "0")} min`;
}

export function clock(date) {
  const at = new Date(date), time = at.toLocaleTimeString([], { hour12: false });
  // A finished survey is of any day.
  return viewing ? `${at.toLocaleDateString()}, ${time}` : time;
}

export const count = (n) => n.toLocaleString("en").replaceAll(",", "\u202f");

/** What each state of a cell means to the inspector. */
export const STATE_LABELS = {
  unvisited: viewing ? "not scanned: no reading" : "to scan: no reading yet",
  uncertain: "time uncertain: probe was here, when readings were taken, or where, is not known well enough",
  skipped: "too fast: passed without a reading",
  no_signal: "no signal: probe was here, no valid reading",
  measured: "measured",
  suspect: "suspect: a calibration check failed, or the position slipped",
  excluded: "excluded",
};
export const STATE_NAMES = {
  unvisited: viewing ? "not scanned" : "to scan",
  uncertain: "time uncertain",
  skipped: "too fast",
  no_signal: "no signal",
  measured: "measured",
  suspect: "suspect",
  excluded: "excluded",
};

/** The state whose pattern marks the cause of a gap. */
export const CAUSE_STATE = {
  unvisited: "unvisited",
  "no signal": "no_signal",
  "too fast": "skipped",
  "time uncertain": "uncertain",
  "reading unplaced": "uncertain",
  "readings not received": "uncertain",
  "check failed": "suspect",
  slip: "suspect",
};

/** The cause of a gap, in the word of its state. */
export const causeName = (cause) =>
  CAUSE_STATE[cause] === "uncertain" ? cause : STATE_NAMES[CAUSE_STATE[cause]] ?? cause;

/** Names of the kinds of alarms, the most urgent first. */
export const ALARM_NAMES = {
  "crawler halted": "Crawler halted",
  "port lost": "Port lost",
  slip: "Position slipped",
  "check failed": "Calibration check failed",
  "position lost": "Position lost",
  "readings unplaced": "Readings without a place",
  "standstill": "Process stood still",
  "device silent": "Device silent",
  "clock stopped": "Device clock stopped",
  "values held": "Values held",
  "encoder still": "No motion from the encoder",
  "no echo": "No echo from the gauge",
  "coupling lost": "Coupling lost",
  "probe without echo": "One probe has no echo",
  "probe offsets": "Probes are not where the station says",
  "copy behind": "The copy on object storage is behind",
  "input without probe": "Readings of an input without a probe",
  "too fast": "Too fast",
  "delay unknown": "Delay unknown",
  "period differs": "Period differs",
  "device floods": "Device floods",
  "driver fails": "Driver fails",
  "disk full": "Disk full",
  "disk fails": "Disk fails",
  "disk stalled": "Disk does not answer",
  "daemon held up": "Daemon held up",
  "clock not set": "Clock of the computer not set",
  "clock stepped": "Clock of the computer was set",
  "wrong tokens": "Wrong tokens at the page",
  "name in use": "Another station has this name",
  "foreign writer": "Somebody else writes on the station's MQTT topics",
  "check overdue": "Calibration check overdue",
  "gaps open": "Gap opened",
  "below alert": "Wall below alert level",
};
