// Scales, ticks, marks and colours of the charts.

import { svg } from "../../web/elements.js";
import { minus } from "../../web/numbers.js";

export const linear = (from, to) => {
  const slope = (to[1] - to[0]) / (from[1] - from[0] || 1);
  const scale = (value) => to[0] + (value - from[0]) * slope;
  scale.invert = (place) => from[0] + (place - to[0]) / slope;
  return scale;
};

export function ticks(low, high, wanted) {
  const rough = (high - low) / Math.max(1, wanted);
  const power = 10 ** Math.floor(Math.log10(rough || 1));
  const step = [1, 2, 2.5, 5, 10].map((k) => k * power).find((s) => s >= rough) || 10 * power;
  const found = [];
  for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * step; k += 1) found.push(k * step);
  const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const more = Math.abs(step * 10 ** digits - Math.round(step * 10 ** digits)) > 1e-6 ? 1 : 0;
  return found.map((value) => [value, minus((Math.abs(value) < 1e-12 ? 0 : value).toFixed(digits + more))]);
}

export const colours = {};
export function readColours() {
  const style = getComputedStyle(document.documentElement);
  for (const name of ["infeasible", "feasible", "front", "chosen", "filtered", "accent", "ink", "card", "m0", "m1", "m2", "m3", "m4", "m5", "m6", "m7"])
    colours[name] = style.getPropertyValue(`--${name}`).trim();
}

// A canvas with the screen's pixels, or with enough for a sharp print.
export function sized(canvas, width, height) {
  const ratio = document.documentElement.classList.contains("paper") ? 3 : window.devicePixelRatio || 1;
  canvas.width = Math.round(width * ratio);
  canvas.height = Math.round(height * ratio);
  canvas.style.width = `${width}px`;
  canvas.style.height = `${height}px`;
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  return pen;
}

// Each state has its own shape: colour alone never carries the meaning.
export const MARKS = [
  { colour: "infeasible", path: (pen, x, y) => { pen.moveTo(x - 3, y - 3); pen.lineTo(x + 3, y + 3); pen.moveTo(x + 3, y - 3); pen.lineTo(x - 3, y + 3); }, line: true },
  { colour: "feasible", path: (pen, x, y) => { pen.moveTo(x + 3, y); pen.arc(x, y, 3, 0, 7); }, line: true },
  { colour: "front", path: (pen, x, y) => { pen.moveTo(x, y - 5); pen.lineTo(x + 5, y); pen.lineTo(x, y + 5); pen.lineTo(x - 5, y); pen.closePath(); }, line: false },
];

export function legendMark(state) {
  const colour = `var(--${state === 3 ? "chosen" : MARKS[state].colour})`;
  const shape = [
    () => svg("path", { d: "M5 5L11 11M11 5L5 11", stroke: colour, "stroke-width": 1.4 }),
    () => svg("circle", { cx: 8, cy: 8, r: 3.2, fill: "none", stroke: colour, "stroke-width": 1.4 }),
    () => svg("path", { d: "M8 2L14 8L8 14L2 8Z", fill: colour }),
    () => svg("g", null, svg("path", { d: "M8 1V15M1 8H15", stroke: colour, "stroke-width": 1.4 }), svg("circle", { cx: 8, cy: 8, r: 4.5, fill: colour, stroke: "var(--chosen-edge)" })),
  ][state]();
  return svg("svg", { width: 16, height: 16, "aria-hidden": "true" }, shape);
}

// A name on lines of so many characters, broken at blanks.
export function wrapped(words, most) {
  const lines = [""];
  for (const word of words.split(" ")) {
    const last = lines[lines.length - 1];
    if (last && last.length + word.length >= most) lines.push(word);
    else lines[lines.length - 1] = last ? `${last} ${word}` : word;
  }
  return lines;
}

export const DASHES = ["", "7 3", "2 3", "10 3 2 3", "5 5", "1 4", "12 4", "7 3 2 3 2 3"];
export const memberColour = (k) => `var(--m${k % 8})`;
