// Figures over the whole space: a cell's colour is the mean of the builds in it.

import { el, svg } from "../../web/elements.js";
import { plain, titled } from "../../web/numbers.js";
import { shownAs } from "./units.js";

const [LEFT, TOP, SIDE, HIGH, BELOW] = [70, 8, 240, 180, 42];

const markText = (mark, factor) => (typeof mark === "string" ? mark.slice(0, 16) : plain(parseFloat((mark * factor).toPrecision(factor === 1 ? 4 : 3))));

function sideTexts(side, count, along) {
  const [unit, factor] = shownAs(side.unit);
  const step = (along ? SIDE : HIGH) / count;
  const texts = side.marks.map(([cell, mark]) => along
    ? svg("text", { x: LEFT + (cell + 0.5) * step, y: TOP + HIGH + 14, "text-anchor": "middle" }, markText(mark, factor))
    : svg("text", { x: LEFT - 5, y: TOP + HIGH - (cell + 0.5) * step + 4, "text-anchor": "end" }, markText(mark, factor)));
  const name = along
    ? svg("text", { x: LEFT + SIDE, y: TOP + HIGH + 32, "text-anchor": "end", class: "soft" }, titled(side.label, unit))
    : svg("text", { x: 12, y: TOP + HIGH / 2, transform: `rotate(-90 12 ${TOP + HIGH / 2})`, "text-anchor": "middle", class: "soft" }, titled(side.label, unit));
  return [...texts, name];
}

function spaceMap(map) {
  const known = map.cells.flat().filter((value) => value !== null);
  const [low, high] = [Math.min(...known), Math.max(...known)];
  const [unit, factor] = shownAs(map.unit, map.figure);
  const [across, up] = [map.cells.length, map.cells[0].length];
  const ends = `${plain(low * factor)} to ${plain(high * factor)}${unit ? ` ${unit}` : ""}`;
  const over = map.sides.map((side) => side.label).join(" and ");
  const picture = svg("svg", { class: "side", viewBox: `0 0 ${LEFT + SIDE + 12} ${TOP + HIGH + BELOW}`, role: "img", "aria-label": `${map.label} over ${over}: means of cells from ${ends}` });
  map.cells.forEach((column, i) => column.forEach((value, k) => {
    if (value === null) return;
    const share = (value - low) / (high - low || 1);
    picture.append(svg("rect", { x: LEFT + (i * SIDE) / across, y: TOP + HIGH - ((k + 1) * HIGH) / up, width: SIDE / across, height: HIGH / up, "shape-rendering": "crispEdges", fill: "var(--accent)", "fill-opacity": (0.06 + 0.94 * share).toFixed(3) }));
  }));
  picture.append(svg("rect", { x: LEFT, y: TOP, width: SIDE, height: HIGH, fill: "none", stroke: "var(--soft)" }));
  map.sides.forEach((side, n) => picture.append(...sideTexts(side, n === 0 ? across : up, n === 0)));
  return el("figure", null,
    el("figcaption", null, el("b", null, titled(map.label, unit)), ` from faint to strong: ${ends}; these ${map.sides.length === 1 ? "values" : "two"} explain ${Math.round(100 * map.share)}\u00a0% of the variance`),
    picture);
}

// Maps side by side, as many as there is room for.
export function spaceMaps(maps) {
  return [el("h4", null, "Over the whole space"),
    el("p", { class: "note" }, "Each figure over the two design variables that matter most to it. A cell is the mean of the computed builds in it, whatever their other variables; blank where there is none."),
    el("div", { class: "maps" }, ...maps.map(spaceMap))];
}
