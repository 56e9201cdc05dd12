// Margins to every limit, and provenance.

import { el } from "../../web/elements.js";
import { minus, titled } from "../../web/numbers.js";
import { data, section } from "./base.js";
import { bar } from "./sensitivity.js";
import { spreadsheet } from "./tables.js";

function marginCell(cell, full) {
  if (cell.margin === undefined) return el("td", null, cell.text);
  // As in the tables: on which side of the limit, by how much, and that the error covers it.
  const beyond = cell.text.replace(/^.*\([-+]?|\)$/g, "");
  const unsure = cell.near ? el("div", { class: "note" }, `${cell.margin < 0 ? "over" : "inside"} by ${beyond}, within error`) : null;
  return el("td", { class: "n" }, el("span", { class: cell.met ? "" : "beyond" }, minus(cell.text).replace("(-", "(\u2212")), el("div", null, bar(cell.margin, full, [cell.margin - cell.error, cell.margin + cell.error], ["var(--feasible)", "var(--limit)"])), unsure);
}

export function drawMargins() {
  if (!data.members.length || !data.margins.length) return;
  const heads = data.members.map((member) => el("th", { scope: "col", class: "n" }, member.label));
  const rows = data.margins.map((limit) => {
    const full = Math.max(1e-12, ...limit.cells.map((cell) => Math.abs(cell.margin || 0)));
    return el("tr", null, el("th", { scope: "row", class: "wide" }, limit.words, el("div", { class: "note" }, limit.source)), ...limit.cells.map((cell) => marginCell(cell, full)));
  });
  const near = data.margins.map((limit) => limit.near).filter(Boolean);
  section("margins", "Margins to the limits",
    el("p", { class: "note" }, "Value, and in brackets the margin to the limit, negative where violated. The bar starts at the limit; the line on it is the figure's absolute error. This screens builds; only the governing bodies' tests rule on them."),
    spreadsheet("Margins to the limits", el("table", null, el("caption", { class: "spoken" }, "Margins to the limits"), el("thead", null, el("tr", null, el("th", { scope: "col" }, "limit"), ...heads)), el("tbody", null, ...rows))),
    near.length ? el("h3", null, "Near a limit") : null,
    near.length ? el("ul", null, ...near.map((words) => el("li", null, `${words}.`))) : null);
}

function plainTable(caption, heads, rows) {
  return spreadsheet(caption, el("table", null, el("caption", null, caption),
    el("thead", null, el("tr", null, ...heads.map((head) => el("th", { scope: "col" }, head)))),
    el("tbody", null, ...rows.map(([first, ...rest]) => el("tr", null, el("th", { scope: "row" }, first), ...rest.map((cell) => el("td", null, cell)))))));
}

export function drawSources() {
  const { facts, bases, materials, checks, notes, scenario } = data.provenance;
  section("sources", "Provenance",
    ...notes.map((words) => el("p", null, words)),
    el("dl", { class: "facts" }, ...facts.flatMap(([term, words]) => [el("dt", null, term), el("dd", null, words)])),
    bases.length ? plainTable("Basis of the short list's figures", ["basis", "number", "figures"], bases) : null,
    checks.rows.length ? plainTable("Accuracy of the emulator", checks.heads, checks.rows) : null,
    checks.rows.length ? el("p", { class: "note" }, checks.notes.join(" ")) : null,
    plainTable("Material cards of the scenario", ["material", "grades of its numbers", "source of the modulus"], materials),
    el("details", null, el("summary", null, "Definitions of the figures"),
      plainTable("Figures, with the names that the command line accepts", ["figure", "name", "meaning"],
        Object.entries(data.figures).map(([name, known]) => [titled(known.label, known.unit), name, known.help]))),
    el("details", null, el("summary", null, "The whole scenario"), el("pre", { tabindex: "0", role: "region", "aria-label": "The whole scenario" }, scenario)));
}
