// The figures: one table for the ball and each swing; every row says what it rests on, and whether
// it is of this build or of one before. And the limits, with the margin that is left.

import { line } from "./flight.js";
import { byId, el, number, signed, withUnit } from "./making.js";
import { digitsOf, spread } from "./words.js";

export const shown = {}; // by name: value, between, alone, basis, flag, caution, stale, failed
const rows = {};
const groups = [];
let error = "between"; // which error stands behind ±

function table(title, names, about, mark) {
  const body = names.map((name) => {
    const figure = about.figures.find((one) => one.name === name);
    const row = { figure, value: el("td", { class: "n" }), error: el("td", { class: "n pm" }), basis: el("td", { class: "basis" }) };
    row.line = el("tr", { "data-figure": name }, el("th", { scope: "row", title: figure.help }, figure.label), row.value, row.error, row.basis);
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
    const owner = figure.owner || (figure.basis === "closed form" ? "size and mass" : "plates and barrier");
    if (!owners.has(owner)) owners.set(owner, []);
    owners.get(owner).push(figure.name);
  }
  const swings = about.swings.map((swing) => swing.name);
  const tables = [...owners].map(([owner, names]) => {
    const k = swings.indexOf(owner);
    return table(owner, names, about, k < 0 ? null : line(k));
  });
  byId("tables").replaceChildren(...tables);
}

function words(name) {
  const held = shown[name];
  if (!held) return ["", "", "waiting"];
  if (held.failed) return ["none", "", held.stale ? "stale" : "not computed"];
  const { figure } = rows[name];
  const value = withUnit(number(held.value, digitsOf(held)), figure.unit);
  const basis = held.stale ? "stale" : held.flag || (held.caution ? `${held.basis} *` : held.basis);
  return [value, spread(held[error]), basis];
}

export function paint(name) {
  const row = rows[name];
  const [value, trusted, basis] = words(name);
  const held = shown[name];
  row.value.textContent = value;
  row.error.textContent = trusted;
  row.basis.textContent = basis;
  row.line.className = !held ? "waiting" : held.stale ? "stale" : held.failed || held.flag ? "failed" : held.basis.replace(" ", "-");
}

// Take figures of the build on the sliders in.
export function take(figures, failed) {
  for (const [name, figure] of Object.entries(figures || {})) if (rows[name]) { shown[name] = figure; paint(name); }
  for (const [name, why] of Object.entries(failed || {})) if (rows[name]) { shown[name] = { failed: why }; paint(name); }
  tellCautions();
}

// What several figures share is said once, under their table.
function tellCautions() {
  for (const { names, caution } of groups) {
    const held = names.map((name) => shown[name]).filter((figure) => figure && !figure.stale);
    const said = new Set(held.filter((figure) => figure.caution).map((figure) => `* ${figure.caution}.`));
    for (const figure of held) if (figure.failed) said.add(`Not computed: ${figure.failed}`);
    caution.hidden = !said.size;
    caution.textContent = [...said].join(" ");
  }
}

// All figures are of an earlier build from now on.
export function staleAll() {
  for (const [name, figure] of Object.entries(shown)) if (!figure.stale) shown[name] = { ...figure, stale: true };
}

export function paintAll() {
  for (const name of Object.keys(rows)) paint(name);
  tellCautions();
}

export function showError(which) {
  error = which;
  paintAll();
}

function margin(bound, held) {
  if (!held || held.failed) return [null, "not known"];
  const left = (bound.side === "at most" ? bound.value - held.value : held.value - bound.value) - bound.margin;
  if (held.basis === "closed form") return [left, left >= -1e-9 * Math.max(1, Math.abs(bound.value)) ? "within" : "outside"];
  const error = bound.source.startsWith("rules") ? held.alone : held.between;
  if (Math.abs(left) < error) return [left, "within error of the limit"];
  return [left, left > 0 ? "within" : "outside"];
}

const SIGNS = { within: "✓", outside: "✗", "within error of the limit": "≈", "not known": "?" };

export function drawLimits(about) {
  const body = about.bounds.map((bound) => {
    const figure = about.figures.find((one) => one.name === bound.figure);
    const held = shown[bound.figure];
    const [left, verdict] = margin(bound, held);
    const state = held && held.stale ? "stale" : `${SIGNS[verdict]} ${verdict}`;
    return el("tr", { class: held && held.stale ? "stale" : verdict === "outside" ? "outside" : "" },
      el("th", { scope: "row", title: bound.source }, figure.whole),
      el("td", null, `${bound.side} ${withUnit(String(bound.value), figure.unit)}${bound.margin ? `, kept by ${withUnit(String(bound.margin), figure.unit)}` : ""}`),
      el("td", { class: "n" }, left === null ? "–" : signed(left, digitsOf(held))),
      el("td", null, state), el("td", { class: "note" }, bound.short_source));
  });
  const head = ["figure", "limit", "margin left", "verdict", "from"].map((word, i) => el("th", { scope: "col", class: i === 2 ? "n" : null }, word));
  byId("margins").replaceChildren(el("table", null, el("caption", { class: "spoken" }, "Limits and margins"), el("thead", null, el("tr", null, ...head)), el("tbody", null, ...body)));
}
