// The short list as cards.

import { swatch } from "../../web/cross_section.js";
import { el } from "../../web/elements.js";
import { number, plain, spread, withUnit } from "../../web/numbers.js";
import { compareBox, data, digitsOf, section, slow, view } from "./base.js";
import { crossSection, layersOf } from "./cross_sections.js";

function figureRow(name, cells, goal) {
  const known = data.figures[name];
  const kind = goal ? "goal" : "";
  const value = withUnit(number(cells[0], digitsOf(cells)), known.unit);
  return [
    el("dt", { class: kind, title: `${known.help} (${name})` }, known.label),
    el("dd", { class: kind }, value, " ", el("span", { class: "pm" }, spread(cells[1]))),
  ];
}

function layerList(i) {
  return el("ol", { class: "layers", "aria-label": "Layers, outermost first" }, ...layersOf(i).reverse().map((layer) => {
    const size = layer.place === 0 ? `${layer.diameter.toFixed(2)}\u00a0mm outer dia.` : `${layer.thickness.toFixed(2)}\u00a0mm thickness`;
    return el("li", { title: layer.material }, swatch(data.shading, layer.modulus), layer.role, el("span", null, `${size}, ${plain(layer.modulus)}\u00a0MPa`));
  }));
}

function card(member) {
  const goals = data.goals.map((goal) => goal.figure);
  const limits = [...new Set(data.bounds.map((bound) => bound.figure))].filter((name) => !goals.includes(name));
  const shown = [...goals, ...limits].filter((name) => member.figures[name]);
  const cautions = shown.filter((name) => member.figures[name][4]).map((name) => `${data.figures[name].label}: ${member.figures[name][4]}.`);
  return el("article", { class: "card", id: `card-${member.label}`, "aria-labelledby": `card-title-${member.label}` },
    el("header", null, el("span", { class: "badge", "aria-hidden": "true" }, member.label),
      el("div", null, el("h3", { id: `card-title-${member.label}` }, `Build ${member.label}`), el("p", null, member.reason))),
    el("div", { class: "built" }, crossSection(member.build, 2), layerList(member.build)),
    el("dl", null, ...shown.flatMap((name) => figureRow(name, member.figures[name], goals.includes(name)))),
    member.alike.length ? el("p", { class: "note" }, `Same as ${member.alike.join(", ")} within the model's resolution in every goal.`) : null,
    ...cautions.map((words) => el("p", { class: "note" }, words)),
    el("p", { class: "choose" }, el("label", null, compareBox(member.build), ` Compare build ${member.label}`)));
}

export function drawCards() {
  const items = data.members.map((member) => el("li", null, card(member)));
  const title = data.feasible ? "Short list" : "Closest infeasible builds";
  const hidden = el("p", { class: "note" });
  const parts = [];
  if (!data.feasible) {
    parts.push(el("div", { class: "warn" }, el("b", null, "No build meets all constraints."),
      data.relaxations.length ? el("ul", null, ...data.relaxations.map((words) => el("li", null, words))) : null));
  }
  const shading = el("p", { class: "note" }, "Quarter sections to one scale, mm from the centre; darker is stiffer. ",
    "\u00b1 is the error of a difference between two builds of the same materials; the absolute error of a figure is larger.");
  section("short-list", title, ...parts, shading, el("ul", { class: "cards" }, ...items), hidden);
  slow.push(() => {
    const gone = data.members.filter((member, k) => {
      items[k].hidden = !view.left[member.build];
      return items[k].hidden;
    });
    hidden.textContent = gone.length ? `Hidden by the filters: ${gone.map((member) => member.label).join(", ")}.` : "";
  });
}
