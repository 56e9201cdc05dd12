// Sensitivity of the figures to the design variables.

import { el, svg } from "../../web/elements.js";
import { signed } from "../../web/numbers.js";
import { data, section } from "./base.js";
import { spaceMaps } from "./maps.js";
import { spreadsheet } from "./tables.js";

// A bar from the middle, to the right where the figure rises; `full` is the longest.
export function bar(value, full, [low, high], [up, down] = ["var(--m1)", "var(--m0)"]) {
  const [half, height] = [44, 14];
  const end = half + (value / full) * (half - 4);
  const at = (v) => Math.min(2 * half - 1, Math.max(1, half + (v / full) * (half - 4)));
  return svg("svg", { width: 2 * half, height, "aria-hidden": "true" },
    svg("line", { x1: half, x2: half, y1: 0, y2: height, stroke: "var(--soft)" }),
    svg("rect", { x: Math.min(half, end), y: 3, width: Math.abs(end - half), height: height - 6, fill: value > 0 ? up : down }),
    high > low ? svg("line", { x1: at(low), x2: at(high), y1: height / 2, y2: height / 2, stroke: "var(--ink)" }) : null);
}

// A bar from the left: an index with its interval.
function indexBar(value, full, [low, high]) {
  const [wide, height] = [64, 14];
  const at = (v) => 1 + Math.min(1, v / full) * (wide - 2);
  return svg("svg", { width: wide, height, "aria-hidden": "true" },
    svg("line", { x1: 1, x2: 1, y1: 0, y2: height, stroke: "var(--soft)" }),
    svg("rect", { x: 1, y: 3, width: at(value) - 1, height: height - 6, fill: "var(--feasible)" }),
    svg("line", { x1: at(low), x2: at(high), y1: height / 2, y2: height / 2, stroke: "var(--ink)" }));
}

function sensitivityTable(found, caption, cell) {
  const heads = found.figures.map((name) => el("th", { scope: "col", class: "n" }, name));
  const rows = found.variables.map((name, j) => ({
    largest: Math.max(...found.figures.map((_, f) => Math.abs((found.coefficients || found.total)[f][j]))),
    line: el("tr", null, el("th", { scope: "row" }, name), ...found.figures.map((_, f) => cell(f, j))),
  })).sort((a, b) => b.largest - a.largest);
  const last = found.r2 ? [el("tr", null, el("th", { scope: "row" }, "R\u00b2 of the linear fit"), ...found.r2.map((share) => el("td", { class: "n" }, share.toFixed(2))))] : [];
  return spreadsheet(caption, el("table", null, el("caption", null, caption),
    el("thead", null, el("tr", null, el("th", { scope: "col" }, "design variable"), ...heads)),
    el("tbody", null, ...rows.map(({ line }) => line), ...last)));
}

function sobolParts(sobol) {
  const full = Math.max(0.01, ...sobol.high.flat());
  const cell = (f, j) => el("td", { class: "n" },
    indexBar(sobol.total[f][j], full, [sobol.low[f][j], sobol.high[f][j]]),
    el("span", { class: "cell" }, `${sobol.total[f][j].toFixed(2)} (${sobol.first[f][j].toFixed(2)})`));
  return [
    el("h3", null, "Over the design space: Sobol indices"),
    el("ul", null, ...sobol.sentences.map((words) => el("li", null, words))),
    el("p", { class: "note" }, sobol.source),
    sensitivityTable(sobol, "Total index S_Ti with its 95 % interval; first-order index S_i in brackets", cell),
    ...(sobol.maps.length ? spaceMaps(sobol.maps) : []),
    el("details", null, el("summary", null, "What the indices mean, and their limits"), ...sobol.notes.map((words) => el("p", { class: "note" }, words))),
  ];
}

function regressionParts(regression) {
  const full = Math.max(0.01, ...regression.coefficients.flat().map(Math.abs));
  const cell = (f, j) => {
    const [value, error] = [regression.coefficients[f][j], regression.error[f][j]];
    const significant = Math.abs(value) > error;
    return el("td", { class: "n" }, bar(value, full, [value - error, value + error]),
      el(significant ? "b" : "span", { class: significant ? "beyond cell" : "same cell" }, signed(value, 0.1)));
  };
  return [
    el("h3", null, "Over the builds of this run: standardised regression coefficients"),
    el("p", { class: "note" }, "Linear least squares over all computed builds, each variable and figure divided by its standard deviation: with +0.5, a figure rises by half its standard deviation when the variable rises by one of its own, the others fixed. Bold: the 95 % interval excludes zero. A search samples mostly near its goals, so read these as a ranking; local slopes at one build come from \u2018orbwright sensitivity local\u2019."),
    sensitivityTable(regression, "Standardised regression coefficients over the builds of this run", cell),
  ];
}

export function drawSensitivity() {
  const { regression, sobol } = data;
  const parts = [...(sobol ? sobolParts(sobol) : []), ...(regression ? regressionParts(regression) : [])];
  if (!parts.length) parts.push(el("p", null, "Too few builds are computed for a sensitivity analysis."));
  section("sensitivity", "Sensitivity", ...parts);
}
