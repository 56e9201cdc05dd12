// The fields under each axis, which do by keyboard what a brush does; the count of builds left.

import { byId, el } from "../../web/elements.js";
import { plain } from "../../web/numbers.js";
import { count, data, extent, filtersChanged, memberAt, onCompared, quick, setFilter, slow, speak, view } from "./base.js";
import { goalOn } from "./scatter_axes.js";

export function column(axis) {
  const id = axis.id.replace(/[^a-z0-9]+/gi, "-");
  const goal = goalOn(axis.id);
  const way = goal ? { maximize: "\u2191 better", minimize: "\u2193 better", target: `target ${plain(goal.target || 0)}` }[goal.aim] : "";
  const title = el("h3", { id: `axis-${id}` }, axis.label, el("span", null, [axis.unit, way].filter(Boolean).join(", ")));
  const node = el("div", { class: "axis", role: "group", "aria-labelledby": `axis-${id}` }, title, el("div", { class: "rail" }));
  const fill = axis.choices ? choiceFields : rangeFields;
  const sync = fill(axis, node);
  return { axis, node, sync: (filter) => { node.classList.toggle("filtered", Boolean(filter)); sync(filter); } };
}

function rangeFields(axis, node) {
  const ends = extent(axis);
  const fields = {};
  const read = () => {
    const at = (which, otherwise) => (fields[which].value === "" ? otherwise : Number(fields[which].value));
    const empty = fields.low.value === "" && fields.high.value === "";
    setFilter(axis.id, empty ? null : { low: at("low", -Infinity), high: at("high", Infinity) });
  };
  for (const [which, words, end] of [["high", "at most", ends[1]], ["low", "at least", ends[0]]]) {
    fields[which] = el("input", { type: "number", step: "any", placeholder: String(parseFloat(end.toPrecision(5))), on: { input: read } });
    node.append(el("label", null, words, fields[which]));
  }
  return (filter) => {
    for (const which of ["low", "high"]) {
      if (document.activeElement === fields[which]) continue; // never rewrite what is being typed
      const value = filter && Number.isFinite(filter[which]) ? filter[which] : null;
      fields[which].value = value === null ? "" : String(parseFloat(value.toPrecision(5)));
    }
  };
}

function choiceFields(axis, node) {
  const boxes = axis.choices.map((name) => {
    const box = el("input", { type: "checkbox" });
    box.checked = true;
    box.addEventListener("change", () => {
      const kept = new Set(boxes.map((one, n) => (one.checked ? n : -1)).filter((n) => n >= 0));
      setFilter(axis.id, kept.size === boxes.length ? null : { choices: kept });
    });
    node.append(el("label", { class: "pick" }, box, name));
    return box;
  });
  return (filter) => boxes.forEach((box, k) => { box.checked = !filter || filter.choices.has(k); });
}

export function prepareReset() {
  byId("reset").addEventListener("click", () => {
    view.filters.clear();
    for (const field of document.querySelectorAll(".axis input[type=number]")) field.value = "";
    filtersChanged();
  });
}

export function drawCount() {
  const counter = byId("left");
  const members = byId("left-members");
  const say = () => {
    const stay = data.members.filter((member) => view.left[member.build]).map((member) => member.label);
    counter.textContent = view.filters.size ? `${view.leftCount} of ${count} builds left` : count === 1 ? "1 build" : `All ${count} builds`;
    const list = data.feasible ? "short list" : "closest infeasible";
    members.textContent = data.members.length ? `${list}: ${stay.join(" ") || "none"}` : "";
  };
  let first = true;
  quick.push(say);
  slow.push(() => {
    if (!first) speak(`${counter.textContent}; ${members.textContent}.`);
    first = false;
  });
  const link = byId("to-comparison");
  onCompared.push(() => { link.textContent = view.compared.length ? `Compare ${view.compared.map((i) => (memberAt.get(i) || { label: i + 1 }).label).join(", ")}` : "Compare"; });
}
