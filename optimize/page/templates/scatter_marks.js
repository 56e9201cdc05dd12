// Marks over the trade-off's points: staircase, error bars, the short list with its letters.

import { svg } from "../../web/elements.js";
import { data } from "./base.js";
import { colours } from "./charts.js";
import { goalOn, memberError } from "./scatter_axes.js";

export const known = ({ xAxis, yAxis }, i) => xAxis.values[i] !== null && yAxis.values[i] !== null;

// Points of a choice are spread a little about it, always the same way.
export const nudge = (i) => ((i * 0.618034) % 1 - 0.5) * 0.5;

// Between two goals without a target, a staircase bounds the region that the front dominates.
export function stairs({ xAxis, yAxis, place }) {
  const goals = [goalOn(xAxis.id), goalOn(yAxis.id)];
  if (data.goals.length !== 2 || goals.some((goal) => !goal || goal.aim === "target") || xAxis === yAxis) return [];
  const points = data.state.map((state, i) => [state, i]).filter(([state]) => state === 2).map(([, i]) => place(i)).sort((a, b) => a[0] - b[0]);
  if (points.length < 2) return [];
  let path = `M${points[0]}`;
  for (let k = 1; k < points.length; k += 1) {
    const [ax, ay] = points[k - 1];
    const [bx, by] = points[k];
    path += goals[0].aim === "maximize" ? `L${ax},${by}L${bx},${by}` : `L${bx},${ay}L${bx},${by}`;
  }
  return [svg("path", { d: path, fill: "none", stroke: "var(--front)", "stroke-opacity": 0.6 })];
}

export function errorBars(geometry, points) {
  const { pen, x, y, xAxis, yAxis } = geometry;
  pen.strokeStyle = colours.filtered;
  pen.beginPath();
  for (const [px, py, i] of points) {
    if (xAxis.errors) { const r = x(xAxis.errors[i]) - x(0); pen.moveTo(px - r, py); pen.lineTo(px + r, py); }
    if (yAxis.errors) { const r = y(yAxis.errors[i]) - y(0); pen.moveTo(px, py - r); pen.lineTo(px, py + r); }
  }
  pen.stroke();
}

export function memberMarks(geometry) {
  const { x, y, xAxis, yAxis, place, box } = geometry;
  const found = data.members.filter((member) => known(geometry, member.build));
  const taken = found.map((member) => [...place(member.build), 7]);
  return found.map((member) => {
    const [px, py] = place(member.build);
    const [ex, ey] = [xAxis.errors ? x(memberError(member, xAxis)) - x(0) : 0, yAxis.errors ? y(0) - y(memberError(member, yAxis)) : 0];
    const spot = freeSpot(px, py, taken, box);
    taken.push([...spot, 10]);
    const bar = `M${px - ex} ${py}H${px + ex}M${px} ${py - ey}V${py + ey}${  ex > 2 ? `M${px - ex} ${py - 3}v6M${px + ex} ${py - 3}v6` : ""  }${ey > 2 ? `M${px - 3} ${py - ey}h6M${px - 3} ${py + ey}h6` : ""}`;
    return svg("a", { href: `#card-${member.label}`, "aria-label": `Build ${member.label}`, "data-member": member.build },
      svg("path", { d: bar, stroke: "var(--chosen)", "stroke-width": 1.2, "stroke-opacity": 0.75, fill: "none" }),
      svg("line", { x1: px, y1: py, x2: spot[0], y2: spot[1], stroke: "var(--soft)", "stroke-width": 0.8 }),
      svg("circle", { cx: px, cy: py, r: 5, fill: "var(--chosen)", stroke: "var(--chosen-edge)" }),
      svg("circle", { cx: spot[0], cy: spot[1], r: 9, fill: "var(--card)", stroke: "var(--chosen)", "stroke-width": 1.5 }),
      svg("text", { x: spot[0], y: spot[1] + 4, "text-anchor": "middle", "font-weight": 700 }, member.label));
  });
}

function freeSpot(px, py, taken, box) {
  for (const reach of [18, 28, 40, 54]) {
    for (let k = 0; k < 12; k += 1) {
      const angle = (-45 + 30 * k) * Math.PI / 180;
      const [sx, sy] = [px + reach * Math.cos(angle), py + reach * Math.sin(angle)];
      const inside = sx > box.left + 10 && sx < box.right - 10 && sy > box.top + 10 && sy < box.bottom - 10;
      if (inside && taken.every(([tx, ty, r]) => Math.hypot(sx - tx, sy - ty) > r + 10)) return [sx, sy];
    }
  }
  return [px + 18, py - 18];
}
