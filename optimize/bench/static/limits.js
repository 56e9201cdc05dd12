// The limits, with the margin to each.

import { byId, el } from "./elements.js";
import { digitsOf, shown } from "./figures.js";
import { plain, signed, withUnit } from "./numbers.js";
import { shownAs, wordsOf } from "./units.js";

function margin(bound, found) {
  if (!found || found.failed) return [null, "unknown"];
  const left = (bound.side === "at most" ? bound.value - found.value : found.value - bound.value) - bound.margin;
  if (found.basis === "closed form") return [left, left >= -1e-9 * Math.max(1, Math.abs(bound.value)) ? "within" : "outside"];
  const error = bound.source.startsWith("rules") ? found.alone : found.between;
  if (Math.abs(left) < error) return [left, "within error of the limit"];
  return [left, left > 0 ? "within" : "outside"];
}

const SIGNS = { within: "✓", outside: "✗", "within error of the limit": "≈", "unknown": "?" };

export function drawLimits(about) {
  const body = about.bounds.map((bound) => {
    const figure = about.figures.find((one) => one.name === bound.figure);
    const found = shown[bound.figure];
    const [unit, factor] = shownAs(figure.unit, figure.name);
    const amount = (value) => withUnit(factor === 1 ? String(value) : plain(value * factor), unit);
    const edge = factor !== 1 && bound.stated_in_trade ? withUnit(bound.stated_in_trade, unit) : amount(bound.value);
    const [left, verdict] = margin(bound, found);
    const state = found && found.stale ? "stale" : `${SIGNS[verdict]} ${verdict}`;
    return el("tr", { class: found && found.stale ? "stale" : verdict === "outside" ? "outside" : "" },
      el("th", { scope: "row", title: bound.source }, wordsOf(figure).whole),
      el("td", null, `${bound.side} ${edge}${bound.margin ? `, margin ${amount(bound.margin)}` : ""}`),
      el("td", { class: "n" }, left === null ? "–" : signed(left * factor, digitsOf(found) * factor)),
      el("td", null, state), el("td", { class: "note" }, bound.short_source));
  });
  const head = ["figure", "limit", "margin", "verdict", "source"].map((word, i) => el("th", { scope: "col", class: i === 2 ? "n" : null }, word));
  byId("margins").replaceChildren(el("table", null, el("caption", { class: "spoken" }, "Limits and margins"), el("thead", null, el("tr", null, ...head)), el("tbody", null, ...body)));
}
