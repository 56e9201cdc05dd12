// Side view of the flights, equal scales.

import { byId, el, svg } from "./elements.js";
import { shownAs } from "./units.js";

const COLOURS = ["var(--m0)", "var(--m1)", "var(--m2)", "var(--m3)", "var(--m4)", "var(--m7)"];
const DASHES = ["", "9 4", "3 3", "12 3 3 3", "6 2 2 2 2 2", "1 4"];
const [LEFT, RIGHT, TOP, BOTTOM] = [34, 12, 12, 40];

function ticks(most, step) {
  const marks = [];
  for (let value = 0; value <= most; value += step) marks.push(value);
  return marks;
}

export const line = (i) => svg("svg", { width: 34, height: 10, "aria-hidden": "true" }, svg("line", { x1: 1, x2: 33, y1: 5, y2: 5, stroke: COLOURS[i], "stroke-width": 2.4, "stroke-dasharray": DASHES[i] }));

// `flights` by swing: points, basis, stale.
export function drawFlights(about, flights) {
  const [unit, factor] = shownAs("m");
  const scaled = (flight) => ({ ...flight, points: flight.points.map(([along, up]) => [along * factor, up * factor]) });
  const shown = about.swings.map((swing, i) => [swing.name, i, flights[swing.name]]).filter(([, , flight]) => flight).map(([name, i, flight]) => [name, i, scaled(flight)]);
  const place = byId("flights");
  if (!shown.length) {
    place.replaceChildren(el("p", { class: "note" }, "Flights appear with the first computed launch."));
    return;
  }
  const far = Math.max(60, ...shown.map(([, , flight]) => flight.points[flight.points.length - 1][0])) * 1.05;
  const high = Math.max(12, ...shown.flatMap(([, , flight]) => flight.points.map((point) => point[1]))) * 1.1;
  // As wide as the window leaves it, so that its text keeps its size.
  const wide = Math.min(560, Math.max(320, place.clientWidth));
  const perMetre = (wide - LEFT - RIGHT) / far;
  const tall = TOP + BOTTOM + high * perMetre;
  const x = (metres) => LEFT + metres * perMetre;
  const y = (metres) => tall - BOTTOM - metres * perMetre;
  const words = shown.map(([name, , flight]) => `${name} carries ${flight.points[flight.points.length - 1][0].toFixed(0)} ${unit}`).join(", ");
  const picture = svg("svg", { class: "side", viewBox: `0 0 ${wide} ${tall.toFixed(1)}`, role: "img", "aria-label": `Side view of the flights, equal scales: ${words}` });
  for (const metres of ticks(far, far > 140 ? 50 : 20))
    picture.append(svg("line", { x1: x(metres), x2: x(metres), y1: TOP, y2: tall - BOTTOM, stroke: "var(--faint)" }), svg("text", { x: x(metres), y: tall - 22, "text-anchor": "middle" }, String(metres)));
  for (const metres of ticks(high, 20))
    picture.append(svg("line", { x1: LEFT, x2: wide - RIGHT, y1: y(metres), y2: y(metres), stroke: metres === 0 ? "var(--soft)" : "var(--faint)" }), svg("text", { x: LEFT - 6, y: y(metres) + 4, "text-anchor": "end" }, String(metres)));
  picture.append(svg("text", { x: wide - RIGHT, y: tall - 8, "text-anchor": "end", class: "soft" }, `distance and height, ${unit}`));
  for (const [, i, flight] of shown) {
    const points = flight.points.map(([along, up]) => `${x(along).toFixed(1)},${y(up).toFixed(1)}`).join(" ");
    picture.append(svg("polyline", { points, fill: "none", stroke: COLOURS[i], "stroke-width": 2, "stroke-dasharray": DASHES[i] }));
  }
  const legend = shown.map(([name, i, flight]) => el("li", null, line(i), name, " ", el("span", { class: "note" }, flight.stale ? "stale" : flight.basis)));
  place.replaceChildren(picture, el("ul", { class: "legend" }, ...legend));
}
