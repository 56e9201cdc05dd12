// Comparison of up to four builds; differences beyond the error are bold.

import { el } from "../../web/elements.js";
import { minus, number, plain, titled } from "../../web/numbers.js";
import { MANY_SWINGS, MOST_COMPARED, axisOf, axisText, buildName, data, difference, digitsOf, figureCells, onCompared, onSwing, section, sentence, swingField, view } from "./base.js";
import { crossSection } from "./cross_sections.js";
import { withError } from "./differences.js";
import { spreadsheet } from "./tables.js";

export function drawComparison() {
  const holder = el("div", { id: "comparison-table" });
  const baseline = el("select", { id: "baseline" });
  const found = section("comparison", "Comparison",
    el("p", { class: "note" }, `Select up to ${MOST_COMPARED} builds on cards or in the table. Differences are from the baseline, each with its own error: bold beyond it, \u2248 within it. Of a build off the short list the error is the root sum of squares of the two figures' own.`),
    el("div", { class: "controls" }, el("label", null, "Baseline", baseline), swingField()), holder);
  baseline.addEventListener("change", () => { view.baseline = Number(baseline.value); onCompared.forEach((act) => act()); });

  function draw() {
    baseline.replaceChildren(...view.compared.map((i) => el("option", { value: i, selected: i === view.baseline }, sentence(buildName(i)))));
    found.querySelector(".controls").hidden = view.compared.length < 2;
    if (!view.compared.length) return holder.replaceChildren(el("p", null, "No build is selected."));
    // The baseline comes first, whatever the order of selection.
    const builds = [view.baseline, ...view.compared.filter((i) => i !== view.baseline)];
    const heads = builds.map((i) => el("th", { scope: "col", class: "n", "data-tsv": builds.length > 1 && i !== view.baseline ? [buildName(i), "difference", "error of the difference"].join("\t") : sentence(buildName(i)) }, sentence(buildName(i)), i === view.baseline && builds.length > 1 ? el("div", { class: "note" }, "baseline") : null));
    const sections = el("tr", null, el("th", { scope: "row" }, "section"), ...builds.map((i, k) => el("td", { "data-tsv": k ? "\t\t" : "" }, crossSection(i, 1.1))));
    const table = el("table", null, el("caption", { class: "spoken" }, `Comparison of ${builds.map(buildName).join(", ")}`),
      el("thead", null, el("tr", null, el("th", { scope: "col" }, "quantity"), ...heads)),
      el("tbody", null, sections, ...layerRows(builds), ...figureRows(builds)));
    return holder.replaceChildren(spreadsheet("Comparison", table));
  }

  onCompared.push(draw);
  onSwing.push(draw);
  draw();
}

const groupRow = (title, wide) => el("tr", { class: "group" }, el("th", { colspan: wide + 1, scope: "colgroup", "data-tsv": title }, title));

// A difference with as many decimals as its terms.
function stepText(value, first) {
  const places = [value, first].map((one) => (plain(one).split(".")[1] || "").length);
  const text = minus((value - first).toFixed(Math.max(...places)));
  return value > first ? `+${text}` : text;
}

function layerRows(builds) {
  const rows = [];
  data.roles.forEach((role, k) => {
    const axes = ["thickness", "diameter", "modulus", "modulus inside", "modulus outside", "shape", "density", "material"]
      .map((what) => [what, axisOf.get(`layer${k + 1}.${what}`)]).filter(([, axis]) => axis);
    if (builds.every((i) => axes[1][1].values[i] === null)) return;
    rows.push(groupRow(role, builds.length));
    for (const [what, axis] of axes) {
      if (k === 0 && what === "thickness") continue;
      const first = axis.values[builds[0]];
      const cells = builds.map((i) => {
        const same = axis.values[i] === first;
        const step = axis.choices || axis.values[i] === null || first === null || same ? "" : ` (${stepText(axis.values[i], first)})`;
        return el("td", { class: `n ${same ? "" : "beyond"}`, "data-tsv": i === builds[0] ? null : [axisText(axis, i), step.replace(/[() ]/g, ""), ""].join("\t") }, axisText(axis, i) + step);
      });
      rows.push(el("tr", null, el("th", { scope: "row" }, titled(what, axis.unit)), ...cells));
    }
  });
  return rows;
}

function figureRows(builds) {
  const names = Object.keys(data.figures).filter((name) => builds.some((i) => figureCells(i, name)));
  const groups = new Map([["Goals", []], ["Limits", []], ["Ball", []]]);
  for (const name of names) {
    const axis = axisOf.get(name);
    const group = axis && axis.group !== "Other figures" ? axis.group : data.figures[name].owner || "Ball";
    if (!groups.has(group)) groups.set(group, []);
    groups.get(group).push(name);
  }
  const rows = [];
  const swings = data.flights.swings.map((swing) => swing.name);
  for (const [group, members] of groups) {
    if (!members.length || (MANY_SWINGS && swings.includes(group) && group !== view.swing)) continue;
    rows.push(groupRow(group === "Ball" ? "Other figures of the ball" : group, builds.length));
    rows.push(...members.map((name) => figureLine(builds, name, group)));
  }
  return rows;
}

function figureLine(builds, name, group) {
  const known = data.figures[name];
  const first = figureCells(builds[0], name);
  const cells = builds.map((i, k) => {
    const own = figureCells(i, name);
    if (!own) return el("td", { class: "n same", "data-tsv": k ? "\t\t" : "" }, "\u2013");
    const text = number(own[0], digitsOf(own));
    if (k === 0 || !first) return el("td", { class: "n" }, text);
    const found = difference(i, builds[0], name);
    const step = withError(found);
    return el("td", { class: "n", "data-tsv": [text, step.dataset.step, step.dataset.error].join("\t") }, text, " ", step);
  });
  const label = known.owner === group ? known.short : known.label;
  return el("tr", { "data-figure": name }, el("th", { scope: "row", title: `${known.help} (${name})` }, titled(label, known.unit)), ...cells);
}
