// A chart of lines with bands and points, as wide as the page leaves it.

import { byId, svg } from "../../web/elements.js";
import { linear, ticks } from "./charts.js";

const MARGIN = { left: 58, right: 16, top: 14, bottom: 40 };

// The widest range of values that are there, a little more at both ends.
export function rangeOf(values) {
  const known = values.filter((value) => value !== null);
  const [low, high] = [Math.min(...known), Math.max(...known)];
  const more = 0.06 * (high - low) || 0.01;
  return [low - more, high + more];
}

function axes(picture, x, y, spans, size, words) {
  const foot = size.height - MARGIN.bottom;
  for (const [value, text] of ticks(...spans.x, size.width / 90))
    picture.append(svg("line", { x1: x(value), x2: x(value), y1: MARGIN.top, y2: foot, stroke: "var(--faint)" }), svg("text", { x: x(value), y: foot + 16, "text-anchor": "middle" }, text));
  for (const [value, text] of ticks(...spans.y, size.height / 50))
    picture.append(svg("line", { x1: MARGIN.left, x2: size.width - MARGIN.right, y1: y(value), y2: y(value), stroke: Math.abs(value) < 1e-12 ? "var(--soft)" : "var(--faint)" }), svg("text", { x: MARGIN.left - 6, y: y(value) + 4, "text-anchor": "end" }, text));
  picture.append(svg("text", { x: size.width - MARGIN.right, y: size.height - 5, "text-anchor": "end", class: "soft" }, words.x), svg("text", { x: MARGIN.left + 4, y: MARGIN.top + 10, class: "soft" }, words.y));
}

const joined = (points, x, y) => points.map(([px, py]) => `${x(px).toFixed(1)},${y(py).toFixed(1)}`).join(" ");

// Each stretch of a line that is whole, or dashed where `outside` is above 0.
function stretches(line) {
  const found = [];
  line.points.forEach((point, k) => {
    const dashed = Boolean(line.outside) && line.outside[k] > 0;
    const last = found[found.length - 1];
    if (!last || last.dashed !== dashed) found.push({ dashed, points: last ? [last.points[last.points.length - 1], point] : [point] });
    else last.points.push(point);
  });
  return found;
}

const DOTS = [
  (px, py, colour) => svg("circle", { cx: px, cy: py, r: 3.4, fill: colour }),
  (px, py, colour) => svg("path", { d: `M${px} ${py - 4.4}L${px + 4.4} ${py}L${px} ${py + 4.4}L${px - 4.4} ${py}Z`, fill: colour }),
  (px, py, colour) => svg("rect", { x: px - 3, y: py - 3, width: 6, height: 6, fill: "none", stroke: colour, "stroke-width": 1.6 }),
];

// `chart` has spans and words of both axes, label, lines with points, bands and dots.
export function drawn(chart) {
  const size = { width: Math.min(860, Math.max(320, byId("main").clientWidth - 28)), height: chart.height || 300 };
  const x = linear(chart.spans.x, [MARGIN.left, size.width - MARGIN.right]);
  const y = linear(chart.spans.y, [size.height - MARGIN.bottom, MARGIN.top]);
  const picture = svg("svg", { class: "side", viewBox: `0 0 ${size.width} ${size.height}`, role: "img", "aria-label": chart.label });
  axes(picture, x, y, chart.spans, size, chart.words);
  for (const band of chart.bands || []) picture.append(svg("polygon", { points: joined(band, x, y), fill: "var(--m0)", "fill-opacity": 0.18 }));
  for (const line of chart.lines || [])
    for (const part of stretches(line)) picture.append(svg("polyline", { points: joined(part.points, x, y), fill: "none", stroke: line.colour, "stroke-width": 1.8, "stroke-dasharray": part.dashed ? "6 4" : null }));
  for (const dot of chart.dots || []) {
    const [px, py] = [x(dot.x), y(dot.y)];
    if (dot.half) picture.append(svg("line", { x1: px, x2: px, y1: y(dot.y - dot.half), y2: y(dot.y + dot.half), stroke: dot.colour, "stroke-width": 1.2 }));
    const mark = dot.crossed ? svg("path", { d: `M${px - 5} ${py - 5}L${px + 5} ${py + 5}M${px + 5} ${py - 5}L${px - 5} ${py + 5}`, stroke: "var(--limit)", "stroke-width": 2 }) : DOTS[dot.shape || 0](px, py, dot.colour);
    mark.append(svg("title", null, dot.title || ""));
    picture.append(mark);
  }
  return picture;
}
