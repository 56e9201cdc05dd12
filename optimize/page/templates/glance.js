// The trade-off at a glance, among the verdicts: the first two goals, the front and the short list.

import { el, svg } from "../../web/elements.js";
import { axisOf, data, memberAt, sentence, varies } from "./base.js";
import { legendMark, linear } from "./charts.js";
import { axisParts, frame } from "./scatter_axes.js";
import { known, memberMarks, stairs } from "./scatter_marks.js";

const GLANCE = { width: 430, height: 270, box: { left: 56, right: 418, top: 30, bottom: 226 } };
const MOST_AT_A_GLANCE = 400; // builds that meet all constraints and are drawn, beside the front

function glancePoints(geometry, state, size) {
  const drawn = data.state.map((_, i) => i).filter((i) => data.state[i] === state && !memberAt.has(i) && known(geometry, i));
  const step = state === 2 ? 1 : Math.ceil(drawn.length / MOST_AT_A_GLANCE);
  const d = drawn.filter((_, k) => k % step === 0).map((i) => {
    const [x, y] = geometry.place(i).map((at) => at.toFixed(1));
    return `M${x} ${y}m0 ${-size}l${size} ${size}l${-size} ${size}l${-size} ${-size}Z`;
  }).join("");
  return svg("path", state === 2 ? { d, fill: "var(--front)" } : { d, fill: "none", stroke: "var(--feasible)" });
}

// Null where there is no trade-off to be drawn.
export function glance() {
  const [xAxis, yAxis] = data.goals.map((goal) => axisOf.get(goal.figure)).filter((axis) => axis && varies(axis));
  if (!yAxis || !data.members.length) return null;
  const { width, height, box } = GLANCE;
  const x = linear(frame(xAxis, false), [box.left, box.right]);
  const y = linear(frame(yAxis, false), [box.bottom, box.top]);
  const place = (i) => [x(xAxis.values[i]), y(yAxis.values[i])];
  const geometry = { ...GLANCE, everything: false, x, y, xAxis, yAxis, place };
  const picture = svg("svg", { viewBox: `0 0 ${width} ${height}`, role: "group", "aria-label": `${sentence(yAxis.label)} against ${xAxis.label}; each letter links to its card` },
    ...axisParts(geometry, "x"), ...axisParts(geometry, "y"), glancePoints(geometry, 1, 2), glancePoints(geometry, 2, 4), ...stairs(geometry), ...memberMarks(geometry));
  const others = data.goals.filter((goal) => ![xAxis.id, yAxis.id].includes(goal.figure));
  return el("div", { class: "glance" }, el("h3", null, "The trade-off"), picture,
    el("p", null, legendMark(3), " short list, with errors of differences; ", legendMark(2), " Pareto front.",
      ...others.map((goal) => ` Not drawn: ${axisOf.get(goal.figure)?.label ?? goal.figure}, ${goal.better}.`), " ", el("a", { href: "#trade-off" }, "Larger")));
}
