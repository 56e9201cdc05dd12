// The axes of the trade-off: their ranges, limits and targets, grid and titles.

import { svg } from "../../web/elements.js";
import { plain } from "../../web/numbers.js";
import { axisTitle, data, difference, memberAt, view } from "./base.js";
import { ticks, wrapped } from "./charts.js";

export const goalOn = (id) => data.goals.find((goal) => goal.figure === id);

function direction(id, up) {
  const goal = goalOn(id);
  if (!goal) return "";
  const [more, less] = up ? ["\u2191", "\u2193"] : ["\u2192", "\u2190"];
  return { maximize: ` (${goal.better} ${more})`, minimize: ` (${goal.better} ${less})`, target: " (shaded: the target)" }[goal.aim];
}

// Error of the difference from the reference of the short list; without one, of the figure.
export function memberError(member, axis) {
  if (!member.figures[axis.id] || member.build === view.reference) return 0;
  return view.reference === null ? member.figures[axis.id][1] : difference(member.build, view.reference, axis.id).error;
}

// Range of an axis: the feasible builds, the short list, limits nearby.
export function frame(axis, everything) {
  if (axis.choices) return [-0.5, axis.choices.length - 0.5];
  const some = (i) => axis.values[i] !== null && (everything || !data.feasible || data.state[i] > 0 || memberAt.has(i));
  const seen = axis.values.filter((_, i) => some(i));
  if (!seen.length) return [0, 1];
  const ends = data.members.filter((member) => axis.values[member.build] !== null).flatMap((member) => [-1, 1].map((sign) => axis.values[member.build] + sign * memberError(member, axis)));
  let [low, high] = [Math.min(...seen, ...ends), Math.max(...seen, ...ends)];
  const room = 0.03 * (high - low) || 0.01 * Math.abs(high) || 1;
  const goal = goalOn(axis.id);
  const lines = goal && goal.aim === "target" ? [...data.bounds, { figure: axis.id, value: goal.target }] : data.bounds;
  for (const bound of lines) {
    if (bound.figure !== axis.id || bound.value < low - 4 * room || bound.value > high + 4 * room) continue;
    [low, high] = [Math.min(low, bound.value), Math.max(high, bound.value)];
  }
  return [low - room, high + room];
}

export function axisParts(geometry, which) {
  const { box, width, height } = geometry;
  const horizontal = which === "x";
  const axis = geometry[`${which}Axis`];
  const scale = geometry[which];
  const [low, high] = frame(axis, geometry.everything);
  const parts = [];
  const span = (from, to) => (horizontal
    ? { x: scale(from), y: box.top, width: scale(to) - scale(from), height: box.bottom - box.top }
    : { x: box.left, y: scale(to), width: box.right - box.left, height: scale(from) - scale(to) });
  const line = (value) => (horizontal
    ? { x1: scale(value), x2: scale(value), y1: box.top, y2: box.bottom }
    : { x1: box.left, x2: box.right, y1: scale(value), y2: scale(value) });
  for (const bound of data.bounds) {
    if (bound.figure !== axis.id || bound.value <= low || bound.value >= high) continue;
    const ends = bound.side === "at least" ? [low, bound.value] : [bound.value, high];
    parts.push(svg("rect", { ...span(...ends), fill: "var(--outside)", "fill-opacity": 0.55 }));
    parts.push(svg("line", { ...line(bound.value), stroke: "var(--limit)", "stroke-dasharray": "6 4" }));
    const at = horizontal ? { x: scale(bound.value) + 4, y: box.top + 13 } : { x: box.left + 4, y: scale(bound.value) - 4 };
    parts.push(svg("text", { ...at, fill: "var(--limit)", class: "soft" }, `limit: ${bound.side} ${(view.units === "trade" && bound.stated_in_trade) || plain(bound.value)}`));
  }
  const goal = goalOn(axis.id);
  if (goal && goal.aim === "target") {
    const ends = [Math.max(low, goal.target - goal.band), Math.min(high, goal.target + goal.band)];
    if (ends[0] < ends[1]) parts.push(svg("rect", { ...span(...ends), fill: "var(--aim)" }));
    if (goal.target > low && goal.target < high) parts.push(svg("line", { ...line(goal.target), stroke: "var(--aim-edge)", "stroke-dasharray": "2 3" }));
  }
  const marks = axis.choices ? axis.choices.map((name, k) => [k, name]) : ticks(low, high, horizontal ? Math.max(3, width / 110) : height / 60);
  for (const [value, words] of marks) {
    parts.push(svg("line", { ...line(value), stroke: "var(--faint)" }));
    const at = horizontal ? { x: scale(value), y: box.bottom + 17, "text-anchor": "middle" } : { x: box.left - 7, y: scale(value) + 4, "text-anchor": "end" };
    const lines = axis.choices ? wrapped(words, horizontal ? 14 : 20) : [words];
    parts.push(svg("text", at, ...lines.map((part, n) => svg("tspan", { x: at.x, dy: n ? 13 : 0 }, part))));
  }
  const title = axisTitle(axis) + direction(axis.id, !horizontal);
  parts.push(horizontal
    ? svg("text", { x: box.right, y: height - 10, "text-anchor": "end" }, title)
    : svg("text", { x: 10, y: 18 }, title));
  parts.push(svg("line", horizontal
    ? { x1: box.left, x2: box.right, y1: box.bottom, y2: box.bottom, stroke: "var(--soft)" }
    : { x1: box.left, x2: box.left, y1: box.top, y2: box.bottom, stroke: "var(--soft)" }));
  return parts;
}
