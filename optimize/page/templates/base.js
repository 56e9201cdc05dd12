// State that all views share: sections, axes of the builds, filters, compared builds.

import { byId, el } from "../../web/elements.js";
import { number, plain, titled } from "../../web/numbers.js";

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

export function buildName(i) {
  const member = memberAt.get(i);
  return member ? `build ${member.label}` : `build ${i + 1}`;
}

export const view = { filters: new Map(), left: new Uint8Array(count).fill(1), leftCount: count, compared: [], baseline: null, swing: data.flights.swings.length ? data.flights.swings[0].name : null };
export const MANY_SWINGS = data.flights.swings.length > 3; // then one is shown at a time
export const quick = []; // redrawn in the same frame as a filter moves
export const slow = []; // rebuilt once it rests
export const onCompared = [];
export const onSwing = [];

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

onCompared.push(() => {
  for (const box of document.querySelectorAll("input[data-build]"))
    box.checked = view.compared.includes(Number(box.dataset.build));
});
