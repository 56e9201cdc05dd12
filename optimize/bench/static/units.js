// Metric units or the trade's: what is shown is converted here; all that is computed stays metric.

let system = "metric";
let table = {}; // by metric unit, or by a figure of its own: the trade's, and how many of these it has

export function prepareUnits(about) { table = about.units; }
export function chooseUnits(wanted) { system = wanted; }

export const shownAs = (unit, figure) => (system === "trade" && (table[figure] || table[unit])) || [unit, 1];
export const unitOf = (unit, figure) => shownAs(unit, figure)[0];
export const factorOf = (unit, figure) => shownAs(unit, figure)[1];

// Label, whole label and help of a figure.
export const wordsOf = (figure) => (system === "trade" ? figure.in_trade : figure);

// A metric number as text, its last digit worth no more than before.
export function inUnit(value, unit, digits) {
  const [name, factor] = shownAs(unit);
  return `${(value * factor).toFixed(Math.max(0, Math.ceil(digits - Math.log10(factor))))}\u00a0${name}`;
}
