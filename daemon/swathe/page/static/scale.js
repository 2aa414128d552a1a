// The bar of the colours of thickness: ticks and levels at their places, and what is beyond its ends.
import { element } from "./panels.js";
import { inInches, inUnit, level } from "./labels.js";

const $ = (id) => document.getElementById(id);

/** A thickness of the scale as a number in the unit in use. */
const figure = (mm) => String(Number(inUnit(mm).toFixed(4)));

/** Show the scale of a plan with the colours and patterns of a theme. */
export function showScale(plan, theme) {
  const { low, high, ticks } = plan.scale;
  theme.ramp($("ramp"));
  theme.swatch($("scale-under"), "under");
  theme.swatch($("scale-over"), "over");
  const share = (mm) => (100 * (mm - low)) / (high - low);
  const name = inInches() ? "in" : "mm";
  $("scale-ticks").replaceChildren(...ticks[name].map((mm, k, all) => {
    const last = k === all.length - 1;
    const tick = element("span", last ? `${figure(mm)} ${name}` : figure(mm), last ? "last" : "");
    tick.style.left = `${share(mm)}%`;
    return tick;
  }));
  const levels = [["✚ alert", plan.alert_below, "alert"], ["nominal", plan.nominal, ""]]
    .filter(([, mm]) => mm !== null && mm >= low && mm <= high);
  $("scale-levels").replaceChildren(...levels.map(([word, mm, kind]) => {
    const mark = element("span", `${word} ${level(mm)}`, kind);
    mark.style.left = `${share(mm)}%`;
    // Within the bar, however close to an end, and to either side of each other.
    mark.style.translate = `-${kind ? Math.min(100, 2 * share(mm)) : Math.max(0, 2 * share(mm) - 100)}%`;
    return mark;
  }));
  $("ramp").setAttribute("aria-label", `Colours of thickness from ${level(low)} to ${level(high)}`);
}

/** What the patterns at the ends of the scale mean. */
export const beyondNames = ({ low, high }) => [["under", `below ${level(low)}`], ["over", `above ${level(high)}`]];
