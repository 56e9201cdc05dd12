// The short list as cards: construction, figures as differences from a reference, notes.

import { swatch } from "../../web/cross_section.js";
import { byId, el } from "../../web/elements.js";
import { number, spread, withUnit } from "../../web/numbers.js";
import { compareBox, data, digitsOf, onReference, pinButton, section, slow, view } from "./base.js";
import { crossSection, layersOf, modulusWords } from "./cross_sections.js";
import { fromReference } from "./differences.js";
import { exportField, noteOf } from "./notes.js";
import { pictureButton } from "./pictures.js";
import { slopesOf } from "./slopes.js";
import { fileName, saveText } from "./tables.js";
import { inUnit, unitOf } from "./units.js";

function figureRow(member, name, goal) {
  const known = data.figures[name];
  const kind = goal ? "goal" : "";
  const cells = member.figures[name];
  const whole = `${known.help} (${name}). Error of the number itself: ${spread(cells[2])}${known.unit ? ` ${known.unit}` : ""}.`;
  return [
    el("dt", { class: kind, title: whole }, known.label),
    el("dd", { class: kind }, withUnit(number(cells[0], digitsOf(cells)), known.unit), fromReference(member.build, name)),
  ];
}

function layerList(i) {
  return el("ol", { class: "layers", "aria-label": "Layers, outermost first" }, ...layersOf(i).reverse().map((layer) => {
    const size = layer.place === 0 ? `${inUnit(layer.diameter, "mm", 2)} outer dia.` : `${inUnit(layer.thickness, "mm", 2)} thickness`;
    return el("li", null, swatch(data.shading, layer.modulus), layer.role,
      el("span", { class: "size" }, `${size}, ${modulusWords(layer)}`), el("span", { class: "material" }, layer.material));
  }));
}

function tools(member) {
  const savers = el("button", { type: "button", class: "tool", "aria-label": `Save build ${member.label} as TOML`, on: { click: () => saveText(member.toml, fileName(`build ${member.label}`, "toml")) } }, "Save TOML");
  return el("p", { class: "choose" }, el("label", null, compareBox(member.build), " Compare", el("span", { class: "spoken" }, ` build ${member.label}`)), pinButton(member.build), savers,
    pictureButton(() => [byId(`card-${member.label}`).querySelector(".cut")], `section of build ${member.label}`, 4));
}

function card(member) {
  const goals = data.goals.map((goal) => goal.figure);
  const limits = [...new Set(data.bounds.map((bound) => bound.figure))].filter((name) => !goals.includes(name));
  const shown = [...goals, ...limits].filter((name) => member.figures[name]);
  const cautions = shown.filter((name) => member.figures[name][4]).map((name) => `${data.figures[name].label}: ${member.figures[name][4]}.`);
  const chosen = el("span", { class: "reference" }, "reference");
  const draw = () => { chosen.hidden = view.reference !== member.build; };
  onReference.push(draw);
  draw();
  return el("article", { class: "card", id: `card-${member.label}`, "aria-labelledby": `card-title-${member.label}` },
    el("header", null, el("span", { class: "badge", "aria-hidden": "true" }, member.label),
      el("div", null, el("h3", { id: `card-title-${member.label}` }, `Build ${member.label} `, chosen), el("p", null, member.reason))),
    el("div", { class: "built" }, crossSection(member.build, 2), layerList(member.build)),
    el("dl", null, ...shown.flatMap((name) => figureRow(member, name, goals.includes(name)))),
    member.alike.length ? el("p", { class: "note" }, `Same as ${member.alike.join(", ")} within the model's resolution in every goal.`) : null,
    ...cautions.map((words) => el("p", { class: "note" }, words)),
    slopesOf(member), noteOf(member), tools(member));
}

// Selects the member from which the cards' differences are taken.
function referenceField() {
  const options = [el("option", { value: "" }, "none"), ...data.members.map((member) => el("option", { value: member.build }, `Build ${member.label}`))];
  const select = el("select", { id: "reference" }, ...options);
  const draw = () => { select.value = view.reference === null ? "" : String(view.reference); };
  select.addEventListener("change", () => {
    view.reference = select.value === "" ? null : Number(select.value);
    onReference.forEach((act) => act());
  });
  onReference.push(draw);
  draw();
  return el("label", null, "Differences from", select);
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
  const words = el("p", { class: "note" }, `Quarter sections to one scale, ${unitOf("mm")} from the centre; darker is stiffer. `,
    "A difference has its own error: bold where it is beyond that, \u2248 where it is not.");
  section("short-list", title, ...parts, words, items.length > 1 ? el("div", { class: "controls" }, referenceField()) : null, el("ul", { class: "cards" }, ...items), hidden, items.length ? exportField() : null);
  slow.push(() => {
    const gone = data.members.filter((member, k) => {
      items[k].hidden = !view.left[member.build] && !view.pins.has(member.build);
      return items[k].hidden;
    });
    hidden.textContent = gone.length ? `Hidden by the filters: ${gone.map((member) => member.label).join(", ")}.` : "";
  });
}
