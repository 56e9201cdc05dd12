// State that all views share: sections, axes of the builds, filters, compared builds.

import { byId, el } from "../../web/elements.js";
import { exceeds, number, plain, titled } from "../../web/numbers.js";

export const data = JSON.parse(byId("page-data").textContent);
export const MOST_COMPARED = 4;

export function section(id, title, ...children) {
  const heading = el("h2", { id: `${id}-title` }, title);
  const found = el("section", { id, "aria-labelledby": `${id}-title` }, heading, ...children);
  byId("main").append(found);
  const link = el("a", { href: `#${id}` }, title);
  byId("sections").append(el("li", null, link));
  return found;
}

export const digitsOf = (cells) => cells[1] || cells[2];

// The cells [value, error of a difference, error by itself, ...] of a figure of any build.
export function figureCells(i, name) {
  const member = memberAt.get(i);
  if (member && member.figures[name]) return member.figures[name];
  const axis = axisOf.get(name);
  if (!axis || axis.values[i] === null) return null;
  return [axis.values[i], axis.errors[i], axis.errors[i], "", ""];
}

// A figure of one build less that of another, with the error of this difference: of two members as
// it was computed, of others the root sum of squares of their figures' own.
export function difference(i, reference, name) {
  const [own, first] = [figureCells(i, name), figureCells(reference, name)];
  if (!own || !first) return null;
  const places = [i, reference].map((build) => data.members.findIndex((member) => member.build === build)).sort((a, b) => a - b);
  const known = places[0] >= 0 && places[0] !== places[1] ? data.differences[name] : null;
  const many = data.members.length;
  const error = known ? known[places[0] * many - places[0] * (places[0] + 1) / 2 + places[1] - places[0] - 1] : Math.hypot(own[1], first[1]);
  const step = own[0] - first[0];
  const digits = error || digitsOf(own);
  return { step, error, digits, decided: exceeds(step, [error], digits) };
}

export const count = data.state.length;
export const axisOf = new Map(data.axes.map((axis) => [axis.id, axis]));
export const order = { id: "order", label: "order of evaluation", unit: "", group: "Other figures",
  values: data.state.map((_, i) => i + 1) };
axisOf.set(order.id, order);
export const memberAt = new Map(data.members.map((member) => [member.build, member]));
export const STATES = ["violates a constraint", "meets all constraints", "on the Pareto front"];
export const axisTitle = (axis) => titled(axis.label, axis.unit);
export const varies = (axis) => {
  const known = axis.values.filter((v) => v !== null);
  return known.length > 1 && (axis.choices ? axis.choices.length > 1 : known.some((v) => v !== known[0]));
};
export const extent = (axis) => {
  const known = axis.values.filter((v) => v !== null);
  return [Math.min(...known), Math.max(...known)];
};

// A value of an axis as text; figures carry the digits that their error allows.
export function axisText(axis, i) {
  const value = axis.values[i];
  if (value === null) return "\u2013";
  if (axis.choices) return axis.choices[value];
  return axis.errors && axis.errors[i] > 0 ? number(value, axis.errors[i]) : plain(value);
}

export const sentence = (words) => words.charAt(0).toUpperCase() + words.slice(1);

export function buildName(i) {
  const member = memberAt.get(i);
  return member ? `build ${member.label}` : `build ${i + 1}`;
}

export const view = { filters: new Map(), left: new Uint8Array(count).fill(1), leftCount: count, compared: [], baseline: null, pins: new Set(), units: data.units.system, reference: data.members.length ? data.members[0].build : null, swing: data.flights.swings.length ? data.flights.swings[0].name : null };
export const MANY_SWINGS = data.flights.swings.length > 3; // then one is shown at a time
export const quick = []; // redrawn in the same frame as a filter moves
export const slow = []; // rebuilt once it rests
export const onCompared = [];
export const onSwing = [];
export const onPins = [];
export const onReference = [];

// Before all sections are drawn anew: nothing of the old ones is called again.
export function clearSections() {
  for (const calls of [quick, slow, onCompared, onSwing, onPins, onReference]) calls.length = 0;
  byId("main").replaceChildren();
  byId("sections").replaceChildren();
  onPins.push(() => document.querySelectorAll("button[data-pin]").forEach(showPin));
  onCompared.push(() => {
    for (const box of document.querySelectorAll("input[data-build]"))
      box.checked = view.compared.includes(Number(box.dataset.build));
  });
}

function passes(filter, value) {
  if (value === null) return false;
  return filter.choices ? filter.choices.has(value) : value >= filter.low && value <= filter.high;
}

export function recount() {
  view.left.fill(1);
  for (const [id, filter] of view.filters) {
    const values = axisOf.get(id).values;
    for (let i = 0; i < count; i += 1) if (view.left[i] && !passes(filter, values[i])) view.left[i] = 0;
  }
  view.leftCount = view.left.reduce((sum, one) => sum + one, 0);
}

export function pinBuild(i, wanted) {
  if (wanted) view.pins.add(i);
  else view.pins.delete(i);
  speak(`${sentence(buildName(i))} is ${wanted ? "pinned" : "no longer pinned"}.`);
  onPins.forEach((draw) => draw());
  slow.forEach((draw) => draw());
}

function showPin(button) {
  const on = view.pins.has(Number(button.dataset.pin));
  button.setAttribute("aria-pressed", String(on));
  button.textContent = on ? "Pinned" : "Pin";
}

// A button that keeps a build in sight, whatever the filters.
export function pinButton(i) {
  const button = el("button", { type: "button", class: "tool", "data-pin": i, "aria-pressed": "false", "aria-label": `Pin ${buildName(i)}`, on: { click: () => pinBuild(i, !view.pins.has(i)) } }, "Pin");
  showPin(button);
  return button;
}

let drawing = 0;
let resting = 0;
export function filtersChanged() {
  if (!drawing) {
    drawing = requestAnimationFrame(() => {
      drawing = 0;
      recount();
      quick.forEach((draw) => draw());
    });
  }
  clearTimeout(resting);
  resting = setTimeout(() => slow.forEach((draw) => draw()), 90);
}

export function setFilter(id, filter) {
  if (filter) view.filters.set(id, filter);
  else view.filters.delete(id);
  filtersChanged();
}

// Selects the swing shown; all such fields stay in step.
export function swingField() {
  if (!MANY_SWINGS) return null;
  const select = el("select", null, ...data.flights.swings.map((swing) => el("option", { value: swing.name }, swing.name)));
  select.addEventListener("change", () => { view.swing = select.value; onSwing.forEach((draw) => draw()); });
  onSwing.push(() => { select.value = view.swing; });
  return el("label", null, "Swing", select);
}

const live = byId("live");
export const speak = (text) => { live.textContent = text; };

export function compareBuild(i, wanted) {
  if (wanted && !view.compared.includes(i)) {
    if (view.compared.length === MOST_COMPARED) {
      speak("At most four builds can be compared; remove one first.");
      return false;
    }
    view.compared.push(i);
  } else if (!wanted) view.compared = view.compared.filter((other) => other !== i);
  if (!view.compared.includes(view.baseline)) view.baseline = view.compared.length ? view.compared[0] : null;
  speak(view.compared.length ? `Comparing ${view.compared.map(buildName).join(", ")}.` : "Nothing is compared.");
  onCompared.forEach((draw) => draw());
  return true;
}

export function compareBox(i) {
  const box = el("input", { type: "checkbox", "data-build": i });
  box.checked = view.compared.includes(i);
  box.addEventListener("change", () => { if (!compareBuild(i, box.checked)) box.checked = false; });
  return box;
}
