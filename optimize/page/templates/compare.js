// Comparison of up to four builds; differences beyond the error are bold.

import { el, scrolling } from "../../web/elements.js";
import { exceeds, minus, number, plain, signed, spread, titled } from "../../web/numbers.js";
import { MANY_SWINGS, MOST_COMPARED, axisOf, axisText, buildName, data, digitsOf, memberAt, onCompared, onSwing, section, swingField, view } from "./base.js";
import { crossSection } from "./cross_sections.js";

// The cells [value, error of a difference, error by itself, ...] of a figure of any build.
function figureCells(i, name) {
  const member = memberAt.get(i);
  if (member && member.figures[name]) return member.figures[name];
  const axis = axisOf.get(name);
  if (!axis || axis.values[i] === null) return null;
  return [axis.values[i], axis.errors[i], axis.errors[i], "", ""];
}

export function drawComparison() {
  const holder = el("div", { id: "comparison-table" });
  const baseline = el("select", { id: "baseline" });
  const found = section("comparison", "Comparison",
    el("p", { class: "note" }, `Select up to ${MOST_COMPARED} builds on cards or in the table. Differences are from the baseline: bold beyond the model's error between builds, \u2248 within it.`),
    el("div", { class: "controls" }, el("label", null, "Baseline", baseline), swingField()), holder);
  baseline.addEventListener("change", () => { view.baseline = Number(baseline.value); onCompared.forEach((act) => act()); });

  function draw() {
    baseline.replaceChildren(...view.compared.map((i) => el("option", { value: i, selected: i === view.baseline }, buildName(i).replace("b", "B"))));
    found.querySelector(".controls").hidden = view.compared.length < 2;
    if (!view.compared.length) return holder.replaceChildren(el("p", null, "No build is selected."));
    // The baseline comes first, whatever the order of selection.
    const builds = [view.baseline, ...view.compared.filter((i) => i !== view.baseline)];
    const heads = builds.map((i) => el("th", { scope: "col", class: "n" }, buildName(i).replace("b", "B"), i === view.baseline && builds.length > 1 ? el("div", { class: "note" }, "baseline") : null));
    const sections = el("tr", null, el("th", { scope: "row" }, "section"), ...builds.map((i) => el("td", null, crossSection(i, 1.1))));
    const table = el("table", null, el("caption", { class: "spoken" }, `Comparison of ${builds.map(buildName).join(", ")}`),
      el("thead", null, el("tr", null, el("th", { scope: "col" }, "quantity"), ...heads)),
      el("tbody", null, sections, ...layerRows(builds), ...figureRows(builds)));
    return holder.replaceChildren(scrolling("Comparison", table));
  }

  onCompared.push(draw);
  onSwing.push(draw);
  draw();
}

const groupRow = (title, wide) => el("tr", { class: "group" }, el("th", { colspan: wide + 1, scope: "colgroup" }, title));

// A difference with as many decimals as its terms.
function stepText(value, first) {
  const places = [value, first].map((one) => (plain(one).split(".")[1] || "").length);
  const text = minus((value - first).toFixed(Math.max(...places)));
  return value > first ? `+${text}` : text;
}

function layerRows(builds) {
  const rows = [];
  data.roles.forEach((role, k) => {
    const axes = ["thickness", "diameter", "modulus", "density", "material"].map((what) => [what, axisOf.get(`layer${k + 1}.${what}`)]);
    if (builds.every((i) => axes[1][1].values[i] === null)) return;
    rows.push(groupRow(role, builds.length));
    for (const [what, axis] of axes) {
      if (k === 0 && what === "thickness") continue;
      const first = axis.values[builds[0]];
      const cells = builds.map((i) => {
        const same = axis.values[i] === first;
        const step = axis.choices || axis.values[i] === null || first === null || same ? "" : ` (${stepText(axis.values[i], first)})`;
        return el("td", { class: `n ${same ? "" : "beyond"}` }, axisText(axis, i) + step);
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
    if (!own) return el("td", { class: "n same" }, "\u2013");
    const text = number(own[0], digitsOf(own));
    if (k === 0 || !first) return el("td", { class: "n" }, text, " ", el("span", { class: "pm" }, spread(own[1])));
    const step = own[0] - first[0];
    const beyond = exceeds(step, [own[1], first[1]], digitsOf(own));
    const difference = beyond ? el("b", { class: "beyond" }, signed(step, digitsOf(own))) : el("span", { class: "same" }, "\u2248");
    return el("td", { class: "n" }, text, " ", difference);
  });
  const label = known.owner === group ? known.short : known.label;
  return el("tr", { "data-figure": name }, el("th", { scope: "row", title: `${known.help} (${name})` }, titled(label, known.unit)), ...cells);
}
