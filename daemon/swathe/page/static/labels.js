// Numbers and states as text. Lengths arrive in mm and are shown in mm or in inches.
import { reading } from "./seam.js";

const INCH = 25.4;
let inches = localStorage.getItem("swathe-units") === "in";

export const inInches = () => inches;
export function setInches(yes) {
  inches = yes;
  localStorage.setItem("swathe-units", yes ? "in" : "mm");
}

/** A length in mm in the unit in use, and back. */
export const inUnit = (mm) => (inches ? mm / INCH : mm);
export const fromUnit = (length) => (inches ? length * INCH : length);

/** A number with decimals as every other output shows it: exact halves go to the even digit. */
export function fixed(value, digits) {
  const halves = value * 2 ** (digits + 1);
  if (!Number.isInteger(halves) || halves % 2 === 0) return value.toFixed(digits);
  const below = Math.floor(value * 10 ** digits);
  return ((below % 2 === 0 ? below : below + 1) / 10 ** digits).toFixed(digits);
}

/** Coverage, with the decimals of the message. */
export const percent = (share) => fixed(share, 2);

/** A measured thickness, with the decimals of the message. */
export function thick(mm) {
  if (mm === null || mm === undefined) return "–";
  return inches ? `${(mm / INCH).toFixed(3)} in` : `${fixed(mm, 3)} mm`;
}

/** A thickness that was set, such as the alert level, without trailing zeros. */
export const level = (mm) => inches ? `${Number((mm / INCH).toFixed(3))} in` : `${Number(mm.toFixed(3))} mm`;

/** A position of the probe or a reading, with the decimals of the message. */
export const point = (mm) => position(mm, 0, 2);

/** A position on the part, with as many decimals as the cell width needs. */
export function position(mm, step = 1, digits = step >= 1 ? 0 : step >= 0.1 ? 1 : 2) {
  if (mm === null || mm === undefined) return "–";
  return inches ? `${(mm / INCH).toFixed(digits + 1)} in` : `${fixed(mm, digits)} mm`;
}

/** An extent, with one unit; borders are half a cell from its centre, hence one decimal or more. */
export function extent(low, high, step = 1) {
  const digits = step >= 0.1 ? 1 : 2;
  const from = position(low, step, digits), to = position(high, step, digits);
  return from === to ? from : `${from.replace(/ (mm|in)$/, "")} to ${to}`;
}

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
  if (inches) return mm < INCH * 24 ? `${(mm / INCH).toFixed(1)} in` : `${(mm / INCH / 12).toFixed(1)} ft`;
  return mm < 1000 ? `${mm.toFixed(0)} mm` : `${(mm / 1000).toFixed(1)} m`;
}

export function speed(mm) {
  return inches ? `${(mm / INCH).toFixed(1)} in/s` : `${fixed(mm, 1)} mm/s`;
}

/** A duration in s, as text. */
export function duration(seconds) {
  const s = Math.round(seconds);
  if (s < 60) return `${s} s`;
  if (s < 3600) return `${Math.floor(s / 60)} min ${String(s % 60).padStart(2, "0")} s`;
  return `${Math.floor(s / 3600)} h ${String(Math.floor((s % 3600) / 60)).padStart(2, "0")} min`;
}

export function clock(date) {
  return new Date(date).toLocaleTimeString([], { hour12: false });
}

export const count = (n) => n.toLocaleString("en").replaceAll(",", "\u202f");

/** What each state of a cell means to the inspector. */
export const STATE_LABELS = {
  unvisited: "to scan: no reading yet",
  uncertain: "time uncertain: probe was here, when readings were taken is not known well enough",
  skipped: "too fast: passed without a reading",
  no_signal: "no signal: probe was here, no valid reading",
  measured: "measured",
  suspect: "suspect: a calibration check failed, or the position slipped",
  excluded: "excluded",
};
export const STATE_NAMES = {
  unvisited: "to scan",
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
  "check failed": "suspect",
  slip: "suspect",
};

/** The cause of a gap, in the word of its state. */
export const causeName = (cause) => STATE_NAMES[CAUSE_STATE[cause]] ?? cause;

/** Names of the kinds of alarms, the most urgent first. */
export const ALARM_NAMES = {
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
  "too fast": "Too fast",
  "delay unknown": "Delay unknown",
  "period differs": "Period differs",
  "check overdue": "Calibration check overdue",
  "gaps open": "Gap opened",
  "below alert": "Wall below alert level",
};
