// The builds that pass the filters, as a table.

import { el } from "../../web/elements.js";
import { plain, titled } from "../../web/numbers.js";
import { STATES, axisOf, axisText, axisTitle, buildName, compareBox, data, memberAt, order, pinButton, section, slow, varies, view } from "./base.js";
import { layersOf } from "./cross_sections.js";
import { goalOn } from "./scatter_axes.js";
import { spreadsheet, tsvCell } from "./tables.js";
import { shownAs, unitOf } from "./units.js";

const PAGE = 25;

const violations = (i) => data.violated[i].map((b) => data.bounds[b].words).join("; ");

export function drawBuilds() {
  const goalsAndLimits = data.axes.filter((axis) => (axis.group === "Goals" || axis.group === "Limits") && varies(axis));
  const sorting = { by: goalsAndLimits.length ? goalsAndLimits[0].id : null, down: goalsAndLimits.length > 0 && (goalOn(goalsAndLimits[0].id) || {}).aim === "maximize" };
  let shown = PAGE;
  const body = el("tbody");
  const more = el("button", { type: "button" }, `Show ${PAGE} more`);
  const words = el("p", { class: "note" });
  const heads = [el("th", { scope: "col" }, "Compare, pin"), head(null, "Build"), el("th", { scope: "col" }, "Status"), ...goalsAndLimits.map((axis) => head(axis.id, axisTitle(axis))), el("th", { scope: "col" }, titled("Outer dia.", unitOf("mm")))];
  const table = el("table", { id: "build-table" }, el("caption", null, "Builds that pass the filters; a heading sorts."), el("thead", null, el("tr", null, ...heads)), body);
  section("builds", "Builds", words, spreadsheet("builds that pass the filters, all of them", table, everything), el("p", { class: "no-print" }, more));

  function head(id, title) {
    const button = el("button", { type: "button", on: { click: () => {
      sorting.down = sorting.by === id ? !sorting.down : false;
      sorting.by = id;
      draw();
    } } }, title);
    return el("th", { scope: "col", class: id ? "n" : null, "data-sort": id || "order" }, button);
  }

  // All builds that pass, with every column, whatever is listed.
  function everything() {
    const top = ["build", "short list", "status", "violates", ...data.axes.map(axisTitle)];
    const lines = ordered().map((i) => [String(i + 1), (memberAt.get(i) || { label: "" }).label, STATES[data.state[i]], violations(i), ...data.axes.map((axis) => axisText(axis, i))]);
    return [top, ...lines].map((texts) => texts.map(tsvCell).join("\t")).join("\n");
  }

  // Pinned builds come first, whatever the filters.
  function ordered() {
    const left = data.state.map((_, i) => i).filter((i) => view.left[i] || view.pins.has(i));
    const values = sorting.by ? axisOf.get(sorting.by).values : order.values;
    const sign = sorting.down ? -1 : 1;
    return left.sort((a, b) => view.pins.has(b) - view.pins.has(a) || (values[a] === null) - (values[b] === null) || sign * (values[a] - values[b]) || a - b);
  }

  function row(i) {
    const member = memberAt.get(i);
    const status = data.violated[i].length ? `violates: ${violations(i)}` : STATES[data.state[i]];
    const box = compareBox(i);
    box.setAttribute("aria-label", `Compare ${buildName(i)}`);
    return el("tr", { class: view.pins.has(i) ? "pinned" : null }, el("td", { class: "whole" }, box, pinButton(i)),
      el("th", { scope: "row", class: "n" }, member ? el("span", { class: "badge small" }, member.label) : null, ` ${i + 1}`), el("td", { class: "wide" }, status),
      ...goalsAndLimits.map((axis) => el("td", { class: "n" }, axisText(axis, i))),
      el("td", { class: "whole" }, layersOf(i).map((layer) => plain(layer.diameter * shownAs("mm")[1])).join(" / ")));
  }

  function draw() {
    const rows = ordered();
    body.replaceChildren(...rows.slice(0, shown).map(row));
    more.hidden = shown >= rows.length;
    words.textContent = rows.length ? `${Math.min(shown, rows.length)} of ${rows.length} are listed.` : "No build passes all filters.";
    for (const cell of heads.filter((one) => one.dataset.sort)) {
      const on = cell.dataset.sort === (sorting.by || "order");
      if (on) cell.setAttribute("aria-sort", sorting.down ? "descending" : "ascending");
      else cell.removeAttribute("aria-sort");
    }
  }

  more.addEventListener("click", () => { shown += PAGE; draw(); });
  slow.push(draw);
}
