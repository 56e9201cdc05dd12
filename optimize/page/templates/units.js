// Metric units or the trade's: all that the page shows is converted in one place, then drawn again.

import { byId } from "../../web/elements.js";
import { plain } from "../../web/numbers.js";
import { axisOf, data, speak, view } from "./base.js";

const metric = structuredClone(data);
const { texts, trade, systems } = data.units;

// The unit in which a metric one is shown, and how many of these it has; a figure may have its own.
export const shownAs = (unit, figure) => (view.units === "trade" && (trade[figure] || trade[unit])) || [unit, 1];
export const unitOf = (unit) => shownAs(unit)[0];
export const factorOf = (axis) => shownAs((metric.axes.find((one) => one.id === axis) || { unit: "" }).unit, axis)[1];
const times = (values, factor) => values.map((value) => (value === null ? null : value * factor));

// A metric length or modulus as text, its last digit worth no more than that of the metric number.
export function inUnit(value, unit, digits) {
  const [name, factor] = shownAs(unit);
  return `${(value * factor).toFixed(Math.max(0, Math.ceil(digits - Math.log10(factor))))}\u00a0${name}`;
}

export const plainIn = (value, unit) => {
  const [name, factor] = shownAs(unit);
  return `${plain(factor === 1 ? value : parseFloat((value * factor).toPrecision(4)))}\u00a0${name}`;
};

// Sentences by their text, whatever holds them.
function say(to, from) {
  for (const [key, value] of Object.entries(from)) {
    if (key === "units") continue;
    if (typeof value === "string") to[key] = (view.units === "trade" && texts[value]) || value;
    else if (value && typeof value === "object") say(to[key], value);
  }
}

function convertFigures() {
  for (const [name, known] of Object.entries(metric.figures)) {
    const [unit, factor] = shownAs(known.unit, name);
    data.figures[name].unit = unit;
    if (metric.differences[name]) data.differences[name] = times(metric.differences[name], factor);
    metric.members.forEach((member, k) => {
      const cells = member.figures[name];
      if (cells) data.members[k].figures[name].splice(0, 3, ...times(cells.slice(0, 3), factor));
      const place = member.slopes ? member.slopes.figures.indexOf(name) : -1;
      if (place >= 0) member.slopes.changes.forEach((changes, v) => { data.members[k].slopes.changes[v][place] = changes[place] && times(changes[place], factor); });
    });
  }
}

function convertAxes() {
  metric.axes.forEach((axis, k) => {
    const [unit, factor] = shownAs(axis.unit, axis.id);
    data.axes[k].unit = unit;
    if (!axis.choices) data.axes[k].values = times(axis.values, factor);
    if (axis.errors) data.axes[k].errors = times(axis.errors, factor);
  });
  metric.bounds.forEach((bound, k) => { data.bounds[k].value = bound.value * factorOf(bound.figure); });
  metric.goals.forEach((goal, k) => {
    const factor = factorOf(goal.figure);
    if (goal.target !== null) [data.goals[k].target, data.goals[k].band] = times([goal.target, goal.band], factor);
  });
}

function convertRest() {
  metric.flights.swings.forEach((swing, s) => swing.paths.forEach((path, k) => {
    for (const way of ["x", "z"]) data.flights.swings[s].paths[k][way] = times(path[way], shownAs("m")[1]);
  }));
  metric.margins.forEach((limit, k) => limit.cells.forEach((cell, n) => { if (view.units === "trade" && cell.trade) data.margins[k].cells[n].text = cell.trade; }));
  metric.impacts.forEach((impact, k) => (impact.layers || []).forEach((layer, n) => { data.impacts[k].layers[n].worth_at_most_m_s = layer.worth_at_most_m_s * shownAs("m/s")[1]; }));
}

// The layers' numbers as they were computed, for what is drawn to scale.
export const computed = new Map(metric.axes.map((axis) => [axis.id, axis.values]));

export function useUnits(system) {
  const before = new Map([...view.filters.keys()].map((id) => [id, factorOf(id)]));
  view.units = systems.includes(system) ? system : metric.units.system;
  for (const [id, filter] of view.filters) {
    if (filter.choices || !axisOf.has(id)) continue;
    const factor = factorOf(id) / before.get(id);
    view.filters.set(id, { low: filter.low * factor, high: filter.high * factor });
  }
  say(data, metric);
  convertFigures();
  convertAxes();
  convertRest();
  byId("units").value = view.units;
}

// The switch in the page's head; `redraw` draws all sections anew.
export function prepareUnits(redraw) {
  byId("units").addEventListener("change", () => {
    useUnits(byId("units").value);
    redraw();
    speak(`Numbers are in ${view.units === "trade" ? "the trade's" : "metric"} units.`);
  });
  useUnits(metric.units.system);
}
