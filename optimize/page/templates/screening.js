// The table of a screening sorts by its headings; the page shows metric units or the trade's.

import { byId, el } from "../../web/elements.js";
import { prepareTheme } from "../../web/theme.js";

const table = byId("screened");
const body = table.tBodies[0];
const heads = [...table.tHead.rows[0].cells];

// What a cell sorts by: its number in full, or its text; nothing comes last either way.
function keyOf(row, place) {
  const cell = row.cells[place];
  return "value" in cell.dataset ? Number(cell.dataset.value) : cell.textContent;
}

function compared(a, b) {
  if (typeof a === "number" && typeof b === "number") return a - b;
  return String(a).localeCompare(String(b));
}

function sortBy(place) {
  const down = heads[place].getAttribute("aria-sort") === "ascending";
  const sign = down ? -1 : 1;
  const rows = [...body.rows].map((row) => [keyOf(row, place), row]);
  rows.sort(([a], [b]) => (a === "") - (b === "") || sign * compared(a, b));
  body.replaceChildren(...rows.map(([, row]) => row));
  for (const head of heads) head.removeAttribute("aria-sort");
  heads[place].setAttribute("aria-sort", down ? "descending" : "ascending");
  byId("live").textContent = `Sorted by ${heads[place].textContent}, ${down ? "descending" : "ascending"}.`;
}

heads.forEach((head, place) => {
  const button = el("button", { type: "button", on: { click: () => sortBy(place) } }, ...head.childNodes);
  head.replaceChildren(button);
});

// What differs holds its text in the trade's units; the metric one is what the page was written with.
const both = [...document.querySelectorAll("[data-trade]")].map((node) => [node, node.textContent]);
function useUnits(system) {
  for (const [node, metric] of both) node.textContent = system === "trade" ? node.dataset.trade : metric;
  byId("units").value = system;
}
byId("units").addEventListener("change", () => {
  useUnits(byId("units").value);
  byId("live").textContent = `Numbers are in ${byId("units").value === "trade" ? "the trade's" : "metric"} units.`;
});
useUnits(table.dataset.units);
prepareTheme();
