// The figures: a table for the ball and each swing; each row gives its basis, or says that it is stale.

import { byId, el } from "./elements.js";
import { line } from "./flight.js";
import { number, spread, withUnit } from "./numbers.js";
import { shownAs, wordsOf } from "./units.js";

export const shown = {}; // by name: value, between, alone, basis, flag, caution, stale, failed
const rows = {};
const groups = [];
let shownError = "between"; // which error ± shows

export const digitsOf = (figure) => figure.between || figure.alone;

function table(title, names, about, mark) {
  const body = names.map((name) => {
    const figure = about.figures.find((one) => one.name === name);
    const row = { figure, head: el("th", { scope: "row" }), value: el("td", { class: "n" }), error: el("td", { class: "n pm" }), basis: el("td", { class: "basis" }) };
    row.line = el("tr", { "data-figure": name }, row.head, row.value, row.error, row.basis);
    rows[name] = row;
    return row.line;
  });
  const head = el("tr", null, el("th", { scope: "col" }, "figure"), el("th", { scope: "col", class: "n" }, "value"), el("th", { scope: "col", class: "n" }, "±"), el("th", { scope: "col" }, "basis"));
  const caution = el("p", { class: "note", hidden: true });
  groups.push({ names, caution });
  return el("div", { class: "group" }, el("table", null, el("caption", null, mark, title), el("thead", null, head), el("tbody", null, ...body)), caution);
}

export function layTables(about) {
  const owners = new Map();
  for (const figure of about.figures) {
    const owner = figure.owner || (figure.basis === "closed form" ? "size and mass" : "compression and barrier impact");
    if (!owners.has(owner)) owners.set(owner, []);
    owners.get(owner).push(figure.name);
  }
  const swings = about.swings.map((swing) => swing.name);
  const tables = [...owners].map(([owner, names]) => {
    const k = swings.indexOf(owner);
    return table(owner, names, about, k < 0 ? null : line(k));
  });
  byId("tables").replaceChildren(...tables);
  paintAll();
}

function words(name) {
  const figure = shown[name];
  if (!figure) return ["", "", "pending"];
  if (figure.failed) return ["none", "", figure.stale ? "stale" : "not computed"];
  const [unit, factor] = shownAs(rows[name].figure.unit, name);
  const value = withUnit(number(figure.value * factor, digitsOf(figure) * factor), unit);
  const basis = figure.stale ? "stale" : figure.flag || (figure.caution ? `${figure.basis} *` : figure.basis);
  return [value, spread(figure[shownError] * factor), basis];
}

export function paint(name) {
  const row = rows[name];
  const [value, error, basis] = words(name);
  const figure = shown[name];
  row.value.textContent = value;
  row.error.textContent = error;
  row.basis.textContent = basis;
  row.line.className = !figure ? "pending" : figure.stale ? "stale" : figure.failed || figure.flag ? "failed" : figure.basis.replace(" ", "-");
}

// Show figures of the build on the sliders.
export function take(figures, failed) {
  for (const [name, figure] of Object.entries(figures || {})) if (rows[name]) { shown[name] = figure; paint(name); }
  for (const [name, why] of Object.entries(failed || {})) if (rows[name]) { shown[name] = { failed: why }; paint(name); }
  showCautions();
}

// A caution that several figures share is written once, under their table.
function showCautions() {
  for (const { names, caution } of groups) {
    const known = names.map((name) => shown[name]).filter((figure) => figure && !figure.stale);
    const cautions = new Set(known.filter((figure) => figure.caution).map((figure) => `* ${figure.caution}.`));
    for (const figure of known) if (figure.failed) cautions.add(`Not computed: ${figure.failed}`);
    caution.hidden = !cautions.size;
    caution.textContent = [...cautions].join(" ");
  }
}

// Mark all figures as those of an earlier build.
export function staleAll() {
  for (const [name, figure] of Object.entries(shown)) if (!figure.stale) shown[name] = { ...figure, stale: true };
}

export function paintAll() {
  for (const [name, { head, figure }] of Object.entries(rows)) {
    head.textContent = wordsOf(figure).label;
    head.title = wordsOf(figure).help;
    paint(name);
  }
  showCautions();
}

export function showError(which) {
  shownError = which;
  paintAll();
}
