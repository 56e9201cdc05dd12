// Local sensitivities of a member, where they are computed.

import { el } from "../../web/elements.js";
import { signed } from "../../web/numbers.js";
import { data } from "./base.js";
import { spreadsheet } from "./tables.js";

function slopeCell(slope) {
  if (!slope) return el("td", { class: "n same" }, "\u2013");
  const [change, error] = slope;
  const digits = error || Math.abs(change) || 1;
  const resolved = Math.abs(change) > error;
  return el("td", { class: "n", "data-tsv": [signed(change, digits), signed(error, digits).replace("+", "")].join("\t") },
    el(resolved ? "b" : "span", { class: resolved ? "beyond" : "same" }, signed(change, digits)),
    el("span", { class: "pm" }, error > 0 ? ` \u00b1\u00a0${signed(error, digits).replace("+", "")}` : ""));
}

export function slopesOf(member) {
  const found = member.slopes;
  if (!found) return null;
  const heads = found.figures.map((name) => el("th", { scope: "col", class: "n", "data-tsv": `${data.figures[name].label}\terror` }, data.figures[name].label, el("div", { class: "note" }, data.figures[name].unit)));
  const rows = found.variables.map((words, v) => el("tr", null, el("th", { scope: "row" }, words), ...found.changes[v].map(slopeCell)));
  return el("details", null, el("summary", null, `Local sensitivities of build ${member.label}`),
    el("p", { class: "note" }, "Change of the figure by one step of one number, the others held; the error is that of the slope (95 %)."),
    spreadsheet(`Local sensitivities of build ${member.label}`, el("table", null, el("thead", null, el("tr", null, el("th", { scope: "col" }, "step"), ...heads)), el("tbody", null, ...rows))));
}
