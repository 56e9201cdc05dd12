// Side view of the short list's flights, equal scales.

import { byId, el, svg } from "../../web/elements.js";
import { number, titled } from "../../web/numbers.js";
import { MANY_SWINGS, data, digitsOf, onSwing, section, slow, swingField, view } from "./base.js";
import { DASHES, linear, memberColour, ticks } from "./charts.js";
import { fromReference } from "./differences.js";
import { pictureButton } from "./pictures.js";
import { spreadsheet } from "./tables.js";
import { shownAs, unitOf } from "./units.js";

let clips = 0;

function side(swing, window, width, height, detail) {
  const margin = { left: 40, right: 14, top: 14, bottom: 34 };
  const perMetre = (width - margin.left - margin.right) / (window.x[1] - window.x[0]);
  const x = linear(window.x, [margin.left, width - margin.right]);
  const z = (value) => height - margin.bottom - (value - window.z[0]) * perMetre;
  const id = `clip-${(clips += 1)}`;
  const words = `${detail ? "Landing of" : "Flight after"} ${swing.name} side view, equal scales; the table below has the numbers`;
  const picture = svg("svg", { class: "side", viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": words });
  picture.append(svg("clipPath", { id }, svg("rect", { x: margin.left, y: margin.top - 8, width: width - margin.left - margin.right, height: height - margin.top - margin.bottom + 9 })));
  for (const [value, text] of ticks(...window.x, detail ? 4 : width / 100))
    picture.append(svg("line", { x1: x(value), x2: x(value), y1: margin.top, y2: height - margin.bottom, stroke: "var(--faint)" }), svg("text", { x: x(value), y: height - 16, "text-anchor": "middle" }, text));
  for (const [value, text] of ticks(...window.z, Math.max(1, (window.z[1] - window.z[0]) * perMetre / 40)))
    picture.append(svg("line", { x1: margin.left, x2: width - margin.right, y1: z(value), y2: z(value), stroke: value === 0 ? "var(--soft)" : "var(--faint)" }), svg("text", { x: margin.left - 6, y: z(value) + 4, "text-anchor": "end" }, text));
  picture.append(svg("text", { x: width - margin.right, y: height - 3, "text-anchor": "end", class: "soft" }, `${detail ? "landing, enlarged; " : "distance and height, "}${unitOf("m")}`));
  const lines = svg("g", { "clip-path": `url(#${id})` });
  swing.paths.forEach((path) => {
    const k = data.members.findIndex((member) => member.label === path.label);
    const points = path.x.map((px, n) => `${x(px).toFixed(1)},${z(path.z[n]).toFixed(1)}`).join(" ");
    lines.append(svg("polyline", { points, fill: "none", stroke: memberColour(k), "stroke-width": detail ? 2 : 1.6, "stroke-dasharray": DASHES[k % 8], "data-label": path.label }));
  });
  picture.append(lines);
  // Letters at different heights, so that they keep apart where the lines do not.
  const carry = (path) => path.x[path.x.length - 1];
  if (detail) [...swing.paths].sort((a, b) => carry(a) - carry(b)).forEach((path, n) => {
    const level = window.z[1] * (0.12 + 0.78 * n / swing.paths.length);
    const at = path.z.findLastIndex((value) => value >= level);
    if (at < 0 || at + 1 >= path.x.length) return;
    const part = (path.z[at] - level) / (path.z[at] - path.z[at + 1]);
    const px = x(path.x[at] + part * (path.x[at + 1] - path.x[at]));
    if (px > margin.left + 5 && px < width - margin.right) picture.append(svg("text", { class: "letter", x: px, y: z(level) + 4, "text-anchor": "middle", "data-label": path.label }, path.label));
  });
  return picture;
}

function windows(swing) {
  const carries = swing.paths.map((path) => path.x[path.x.length - 1]);
  const [near, far, top] = [Math.min(...carries), Math.max(...carries), Math.max(...swing.paths.flatMap((path) => path.z))];
  const wide = Math.max(6, 1.5 * (far - near) + 4);
  const end = far + 0.15 * wide;
  return [{ x: [0, 1.04 * far], z: [0, 1.08 * top] }, { x: [end - wide, end], z: [0, 0.42 * wide] }];
}

function landings(swing) {
  const heads = swing.heads.map((head, n) => {
    const words = titled(head, (data.figures[swing.figures[n]] || {}).unit);
    return el("th", { scope: "col", class: "n", "data-tsv": `${words}\tdifference\terror` }, words);
  });
  const rows = data.members.map((member, k) => {
    const line = svg("svg", { width: 34, height: 10, "aria-hidden": "true" }, svg("line", { x1: 1, x2: 33, y1: 5, y2: 5, stroke: memberColour(k), "stroke-width": 2.4, "stroke-dasharray": DASHES[k % 8] }));
    const cells = swing.figures.map((name) => {
      const own = member.figures[name];
      return own ? el("td", { class: "n" }, number(own[0], digitsOf(own)), fromReference(member.build, name)) : el("td", { class: "n", "data-tsv": "\t\t" }, "\u2013");
    });
    return el("tr", null, el("th", { scope: "row", class: "whole" }, line, ` ${member.label}`), ...cells);
  });
  return spreadsheet(`Flights after ${swing.name}`, el("table", null, el("caption", { class: "spoken" }, `Launch and flight after ${swing.name}`), el("thead", null, el("tr", null, el("th", { scope: "col" }, "build"), ...heads)), el("tbody", null, ...rows)));
}

// Where drag and lift count: Reynolds number, spin ratio, time, and carry by a hundredth of each.
function regions(swing, one) {
  const [unit, factor] = shownAs("m");
  const heads = ["Re, 1e5", "spin ratio", "time, %", `carry by CD \u22120.01, ${unit}`, `by CL +0.01, ${unit}`];
  const cell = (words) => el("td", { class: "n" }, words);
  const change = (value) => cell(`${value < 0 ? "\u2212" : "+"}${Math.abs(value * factor).toFixed(2)}`);
  const rows = one.rows.map(([re, ratio, time, drag, lift]) => el("tr", null, cell(String(re)), cell(String(ratio)), cell(time.toFixed(0)), change(drag), change(lift)));
  rows.push(el("tr", null, cell("all"), cell(""), cell("100"), ...one.whole.map(change)));
  const title = `Where drag and lift count after ${swing.name}, build ${one.label}`;
  return el("details", null, el("summary", null, title), spreadsheet(title, el("table", null, el("caption", { class: "spoken" }, title),
    el("thead", null, el("tr", null, ...heads.map((head) => el("th", { scope: "col", class: "n" }, head)))), el("tbody", null, ...rows))));
}

function swingPart(swing) {
  const parts = [el("h3", null, swing.name), el("p", { class: "note" }, `${swing.words}. ${swing.source}`)];
  if (swing.paths.length) {
    const [whole, landing] = windows(swing);
    // As wide as the window leaves it, so that its text keeps its size.
    const wide = Math.min(860, Math.max(320, byId("main").clientWidth - 28));
    const natural = (whole.z[1] / whole.x[1]) * (wide - 54) + 48;
    const tall = Math.min(430, natural);
    const stretch = Math.max(1, natural / 430);
    whole.x = [0, whole.x[1] * stretch];
    parts.push(el("div", { class: "pair" }, side(swing, whole, wide, tall, false), side(swing, landing, 340, 0.42 * (340 - 54) + 48, true)));
    const pictures = parts[parts.length - 1].children;
    parts.push(el("p", { class: "tools no-print" }, pictureButton(() => [pictures[0]], `flight after ${swing.name}`), pictureButton(() => [pictures[1]], `landing after ${swing.name}`)));
  }
  return el("div", { "data-swing": swing.name }, ...parts, landings(swing), ...swing.regions.map((one) => regions(swing, one)), ...swing.failed.map((words) => el("p", { class: "note" }, `Not computed: ${words}`)));
}

export function drawFlights() {
  const { swings, notes } = data.flights;
  if (!data.members.length) return;
  const parts = swings.map(swingPart);
  const show = () => parts.forEach((part) => { part.hidden = MANY_SWINGS && part.dataset.swing !== view.swing; });
  onSwing.push(show);
  const lead = swings.length ? [] : ["No goal or limit names a swing; \u2018orbwright page\u2019 adds the flights of every swing, or of those given by its option --swing."];
  section("flights", "Flights", el("p", { class: "note" }, `${[...lead, ...notes].join(" ")} Carry depends on the aerodynamic model: compare builds under one model. Differences are from the reference of the short list, each with its own error.`),
    el("div", { class: "controls" }, swingField()), el("div", { class: "sides" }, ...parts));
  show();
  slow.push(() => {
    for (const member of data.members)
      for (const mark of document.querySelectorAll("svg.side [data-label]"))
        if (mark.dataset.label === member.label) mark.setAttribute("opacity", view.left[member.build] ? 1 : 0.12);
  });
}
