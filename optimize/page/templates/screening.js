// The table of a screening sorts by its headings.

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
  const button = el("button", { type: "button", on: { click: () => sortBy(place) } }, head.textContent);
  head.replaceChildren(button);
});
prepareTheme();
