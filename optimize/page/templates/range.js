// Tracks with their residuals, and the surface with its error, of a range session.

import { byId, el } from "../../web/elements.js";
import { number, plain } from "../../web/numbers.js";
import { prepareTheme } from "../../web/theme.js";
import { drawn, rangeOf } from "./range_charts.js";

const data = JSON.parse(byId("page-data").textContent);
const AXES = ["along", "up", "to the right"];
const COLOURS = ["var(--m0)", "var(--m1)", "var(--m2)"];
const NINETY_FIVE = 1.96;

const withError = (name, [value, error]) => (value === null ? `${name} not measured` : `${name} ${number(value, error)} \u00b1 ${number(error, error)}`);

function residuals(launch) {
  const dots = launch.readings.flatMap((reading) => [0, 1, 2].filter((axis) => reading[2 + axis] !== null).map((axis) => ({
    x: reading[0], y: reading[2 + axis], colour: COLOURS[axis], shape: axis, crossed: !reading[5],
    title: `${AXES[axis]} ${number(reading[2 + axis], 0.1)} mm at ${plain(reading[0])} m`,
  })));
  return drawn({
    label: `Residuals of launch ${launch.name} along the range; the greatest is ${number(Math.max(...dots.map((dot) => Math.abs(dot.y))), 0.1)} mm`,
    spans: { x: rangeOf(launch.readings.map((reading) => reading[0])), y: rangeOf([0, ...dots.map((dot) => dot.y)]) },
    words: { x: "x, m", y: "off the path, mm" },
    dots, height: 280,
  });
}

function side(launch) {
  const heights = launch.readings.filter((reading) => reading[1] !== null);
  if (!heights.length) return null;
  return drawn({
    label: `Side view of launch ${launch.name}: height over distance`,
    spans: { x: rangeOf(launch.readings.map((reading) => reading[0])), y: rangeOf(heights.map((reading) => reading[1])) },
    words: { x: "x, m", y: "height, m" },
    lines: [{ points: launch.path, colour: "var(--soft)" }],
    dots: heights.map((reading) => ({ x: reading[0], y: reading[1], colour: COLOURS[0], crossed: !reading[5] })), height: 240,
  });
}

function showLaunch() {
  const launch = data.launches[Number(byId("launch").value)];
  const facts = [`Re ${plain(launch.reynolds / 1e5)}e5`, launch.spin_ratio === null ? "spin not known" : `S ${number(launch.spin_ratio, 0.001)}`, `${number(launch.speed, 0.1)} m/s`, withError("CD", launch.drag), withError("CL", launch.lift), `${launch.readings.length} readings`];
  byId("facts").textContent = [launch.ball, ...facts].filter((words) => words).join("; ");
  byId("track-charts").replaceChildren(...[side(launch), residuals(launch)].filter((picture) => picture));
  byId("live").textContent = `Launch ${launch.name} is shown.`;
}

// The value of a line between its places.
function between(line, places, place) {
  const k = Math.min(places.length - 2, Math.max(0, places.findIndex((value) => value > place) - 1));
  const part = (place - places[k]) / (places[k + 1] - places[k]);
  return line[k] + part * (line[k + 1] - line[k]);
}

function slice(coefficient, along, k) {
  const { surface } = data;
  const overRe = along === "reynolds";
  const places = overRe ? surface.reynolds : surface.spin_ratios;
  const line = (overRe ? surface.by_reynolds : surface.by_spin_ratio)[k];
  const at = (overRe ? surface.at_spin_ratio : surface.at_reynolds)[k];
  const [values, sd] = [line[coefficient], line[`${coefficient}_sd`]];
  const points = places.map((place, n) => [place, values[n]]);
  const band = [...places.map((place, n) => [place, values[n] + NINETY_FIVE * sd[n]]), ...places.map((place, n) => [place, values[n] - NINETY_FIVE * sd[n]]).reverse()];
  const column = coefficient === "drag" ? 2 : 4;
  const near = overRe ? 0.035 : 0.15;
  const dots = [];
  surface.rows.forEach((row, n) => {
    const [own, other] = overRe ? [row[0], row[1]] : [row[1], row[0]];
    if (Math.abs(other - at) > near || own < places[0] || own > places[places.length - 1]) return;
    const name = surface.names[n] || `row ${n + 1}`;
    dots.push({ x: own, y: between(values, places, own) + row[column], half: NINETY_FIVE * row[column + 1], colour: "var(--ink)", title: `${name}: ${plain(row[column])} off the surface` });
  });
  const title = coefficient === "drag" ? "CD" : "CL";
  return drawn({
    label: `${title} over ${overRe ? `Reynolds number at spin ratio ${at}` : `spin ratio at Reynolds number ${at}e5`}, with its 95 % band; the table below has numbers`,
    spans: { x: [places[0], places[places.length - 1]], y: rangeOf([...band.map((point) => point[1]), ...dots.map((dot) => dot.y)]) },
    words: { x: overRe ? "Re, 1e5" : "S", y: `${title} at ${overRe ? `S ${at}` : `Re ${at}e5`}` },
    bands: [band], lines: [{ points, outside: line.outside, colour: COLOURS[0] }], dots,
  });
}

function showSurface() {
  const [k, m] = [Number(byId("at-spin-ratio").value), Number(byId("at-reynolds").value)];
  byId("surface-charts").replaceChildren(slice("drag", "reynolds", k), slice("lift", "reynolds", k), slice("drag", "spin_ratio", m), slice("lift", "spin_ratio", m));
  byId("live").textContent = `Drag and lift at spin ratio ${data.surface.at_spin_ratio[k]} and Reynolds number ${data.surface.at_reynolds[m]}e5 are shown.`;
}

function choices(id, names, chosen, show) {
  byId(id).append(...names.map((name, k) => el("option", { value: k, selected: k === chosen }, String(name))));
  byId(id).addEventListener("change", show);
}

function draw() {
  if (data.launches.length) showLaunch();
  if (data.surface) showSurface();
}

byId("tracks").hidden = !data.launches.length;
byId("surface").hidden = !data.surface;
if (data.launches.length) choices("launch", data.launches.map((launch) => launch.name), 0, showLaunch);
if (data.surface) {
  choices("at-spin-ratio", data.surface.at_spin_ratio, 1, showSurface);
  choices("at-reynolds", data.surface.at_reynolds, 4, showSurface);
}
draw();
byId("live").textContent = "";
let wide = byId("main").clientWidth;
window.addEventListener("resize", () => {
  if (byId("main").clientWidth === wide) return;
  wide = byId("main").clientWidth;
  draw();
});
prepareTheme(draw);
