// How old the newest reading is, in words: it keeps counting while the instrument is silent.

const OLD_S = 1;

export const isOld = (seconds) => seconds === null || seconds > OLD_S;

/** The age of the newest reading as text; null where there is none. */
export function ageText(seconds) {
  if (seconds === null) return "no reading yet";
  if (!isOld(seconds)) return `${seconds.toFixed(1)} s ago`;
  if (seconds < 90) return `NO READING FOR ${seconds.toFixed(seconds < 10 ? 1 : 0)} s`;
  return `NO READING FOR ${Math.round(seconds / 60)} min`;
}
