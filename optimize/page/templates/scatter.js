// The trade-off: any quantity of the builds against any other.

import { el, svg } from "../../web/elements.js";
import { plain, withUnit } from "../../web/numbers.js";
import { STATES, axisOf, axisText, axisTitle, buildName, compareBuild, count, data, memberAt, order, quick, section, varies, view } from "./base.js";
import { MARKS, colours, legendMark, linear, sized, ticks } from "./charts.js";

function axisOptions(select, chosen) {
  const groups = new Map();
  for (const axis of [...data.axes, order]) {
    if (!varies(axis) && axis !== order && axis.id !== chosen) continue;
    if (!groups.has(axis.group)) groups.set(axis.group, el("optgroup", { label: axis.group }));
    groups.get(axis.group).append(el("option", { value: axis.id, selected: axis.id === chosen }, axisTitle(axis)));
  }
  select.append(...groups.values());
}

export const goalOn = (id) => data.goals.find((goal) => goal.figure === id);

function direction(id, up) {
  const goal = goalOn(id);
  if (!goal) return "";
  const [more, less] = up ? [" \u2191", " \u2193"] : [" \u2192", " \u2190"];
  return { maximize: ` (more is better${more})`, minimize: ` (less is better${less})`, target: " (shaded: the target)" }[goal.aim];
}

const memberError = (member, axis) => (member.figures[axis.id] ? member.figures[axis.id][1] : 0);

// Range of an axis: the feasible builds, the short list, limits nearby.
function frame(axis, everything) {
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

// Points of a choice are spread a little about it, always the same way.
export const nudge = (i) => ((i * 0.618034) % 1 - 0.5) * 0.5;

export function drawScatter() {
  const defaults = data.goals.map((goal) => goal.figure);
  const chosen = { x: defaults.length > 1 ? defaults[0] : order.id, y: defaults[defaults.length > 1 ? 1 : 0] };
  const selects = {};
  const labels = ["x", "y"].map((which) => {
    selects[which] = el("select", { id: `scatter-${which}` });
    axisOptions(selects[which], chosen[which]);
    return el("label", null, which === "x" ? "x axis" : "y axis", selects[which]);
  });
  const all = el("input", { type: "checkbox" });
  const bars = el("input", { type: "checkbox", id: "scatter-bars" });
  const canvas = el("canvas", { "aria-hidden": "true" });
  const overlay = svg("svg", { role: "group", "aria-label": "Trade-off; each letter links to its card; the table of builds has the numbers" });
  const ground = svg("svg", { "aria-hidden": "true" });
  const host = el("div", { class: "chart", id: "scatter" }, ground, canvas, overlay);
  const readout = el("p", { class: "readout" });
  const shown = el("p", { class: "note", id: "scatter-shown" });
  const kinds = [...STATES.map((words, state) => [state, state === 2 ? "on the Pareto front (non-dominated)" : words]).filter(([state]) => data.state.includes(state)),
    [3, `${data.feasible ? "short list" : "closest infeasible"}, \u00b1 between builds`]];
  const legend = el("ul", { class: "legend" }, ...kinds.map(([state, words]) => el("li", null, legendMark(state), words)));
  section("trade-off", "Trade-off",
    el("div", { class: "controls" }, ...labels, el("label", null, all, "Show every build"), el("label", null, bars, "Error bars on all builds")),
    host, legend, readout, shown,
    ...data.prices.length ? [el("h3", null, "What one goal costs in another"), el("ul", null, ...data.prices.map((words) => el("li", null, words)))] : []);

  let geometry = null;
  function layout() {
    const width = host.clientWidth;
    const height = Math.max(300, Math.min(560, 0.58 * width));
    host.style.height = `${height}px`;
    const [xAxis, yAxis] = [axisOf.get(chosen.x), axisOf.get(chosen.y)];
    const left = yAxis.choices ? Math.min(170, 0.36 * width) : 64;
    const box = { left, right: width - 18, top: 30, bottom: height - 46 };
    const x = linear(frame(xAxis, all.checked), [box.left, box.right]);
    const y = linear(frame(yAxis, all.checked), [box.bottom, box.top]);
    const place = (i) => [x(xAxis.values[i] + (xAxis.choices ? nudge(i) : 0)), y(yAxis.values[i] + (yAxis.choices ? nudge(i) : 0))];
    geometry = { width, height, box, x, y, xAxis, yAxis, place, pen: sized(canvas, width, height) };
    for (const layer of [ground, overlay]) {
      layer.setAttribute("width", width);
      layer.setAttribute("height", height);
    }
    ground.replaceChildren(...axisParts("x"), ...axisParts("y"));
    overlay.replaceChildren(...stairs(), ...memberMarks());
    drawPoints();
  }

  const known = (i) => geometry.xAxis.values[i] !== null && geometry.yAxis.values[i] !== null;

  function drawPoints() {
    const { pen, box, place, width, height } = geometry;
    pen.clearRect(0, 0, width, height);
    pen.save();
    pen.beginPath();
    pen.rect(box.left, box.top, box.right - box.left, box.bottom - box.top);
    pen.clip();
    const groups = [[], [], [], []];
    let outside = 0;
    for (let i = 0; i < count; i += 1) {
      if (!known(i)) continue;
      const at = place(i);
      const inside = at[0] >= box.left && at[0] <= box.right && at[1] >= box.top && at[1] <= box.bottom;
      if (view.left[i] && !inside) outside += 1;
      if (inside) groups[view.left[i] ? data.state[i] + 1 : 0].push([...at, i]);
    }
    pen.lineWidth = 1.2;
    pen.fillStyle = colours.filtered;
    pen.beginPath();
    for (const [px, py] of groups[0]) pen.rect(px - 1, py - 1, 2, 2);
    pen.fill();
    if (bars.checked) errorBars(groups.slice(1).flat());
    MARKS.forEach((mark, state) => {
      pen.beginPath();
      for (const [px, py] of groups[state + 1]) mark.path(pen, px, py);
      pen.strokeStyle = pen.fillStyle = colours[mark.colour];
      if (mark.line) pen.stroke();
      else pen.fill();
    });
    pen.restore();
    const drawn = groups.slice(1).reduce((sum, group) => sum + group.length, 0);
    shown.textContent = `${drawn === 1 ? "1 build is" : `${drawn} builds are`} drawn${  outside ? `; ${outside} more ${outside === 1 ? "passes" : "pass"} the filters outside the axes.` : "."}`;
    overlay.querySelectorAll("[data-member]").forEach((mark) => {
      mark.setAttribute("opacity", view.left[Number(mark.dataset.member)] ? 1 : 0.18);
    });
  }

  function errorBars(points) {
    const { pen, x, y, xAxis, yAxis } = geometry;
    pen.strokeStyle = colours.filtered;
    pen.beginPath();
    for (const [px, py, i] of points) {
      if (xAxis.errors) { const r = x(xAxis.errors[i]) - x(0); pen.moveTo(px - r, py); pen.lineTo(px + r, py); }
      if (yAxis.errors) { const r = y(yAxis.errors[i]) - y(0); pen.moveTo(px, py - r); pen.lineTo(px, py + r); }
    }
    pen.stroke();
  }

  function axisParts(which) {
    const { box, width, height } = geometry;
    const horizontal = which === "x";
    const axis = geometry[`${which}Axis`];
    const scale = geometry[which];
    const [low, high] = frame(axis, all.checked);
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
      parts.push(svg("text", { ...at, fill: "var(--limit)", class: "soft" }, `limit: ${bound.side} ${plain(bound.value)}`));
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
      parts.push(svg("text", at, words.length > 22 ? `${words.slice(0, 21)}\u2026` : words));
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

  // Between two goals without a target, a staircase bounds the region that the front dominates.
  function stairs() {
    const goals = [goalOn(chosen.x), goalOn(chosen.y)];
    if (data.goals.length !== 2 || goals.some((goal) => !goal || goal.aim === "target") || chosen.x === chosen.y) return [];
    const points = data.state.map((state, i) => [state, i]).filter(([state]) => state === 2).map(([, i]) => geometry.place(i)).sort((a, b) => a[0] - b[0]);
    if (points.length < 2) return [];
    let path = `M${points[0]}`;
    for (let k = 1; k < points.length; k += 1) {
      const [ax, ay] = points[k - 1];
      const [bx, by] = points[k];
      path += goals[0].aim === "maximize" ? `L${ax},${by}L${bx},${by}` : `L${bx},${ay}L${bx},${by}`;
    }
    return [svg("path", { d: path, fill: "none", stroke: "var(--front)", "stroke-opacity": 0.6 })];
  }

  function memberMarks() {
    const { x, y, xAxis, yAxis, place, box } = geometry;
    const found = data.members.filter((member) => known(member.build));
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

  function nearest(event) {
    const area = canvas.getBoundingClientRect();
    const [mx, my] = [event.clientX - area.left, event.clientY - area.top];
    let best = null;
    let reach = 14;
    for (let i = 0; i < count; i += 1) {
      if (!view.left[i] || !known(i)) continue;
      const [px, py] = geometry.place(i);
      const away = Math.hypot(px - mx, py - my);
      if (away < reach) [best, reach] = [i, away];
    }
    return best;
  }

  const hint = "Point at a build to read it; click to compare it.";
  readout.textContent = hint;
  host.addEventListener("pointermove", (event) => {
    const i = nearest(event);
    const say = (axis) => `${axis.label} ${withUnit(axisText(axis, i), axis.unit)}`;
    readout.textContent = i === null ? hint : `${buildName(i).replace("b", "B")}: ${STATES[data.state[i]]}; ${say(geometry.xAxis)}; ${say(geometry.yAxis)}.`;
  });
  host.addEventListener("click", (event) => {
    const i = event.target.closest("a") ? null : nearest(event);
    if (i !== null) compareBuild(i, !view.compared.includes(i));
  });
  for (const which of ["x", "y"]) selects[which].addEventListener("change", () => { chosen[which] = selects[which].value; layout(); });
  all.addEventListener("change", layout);
  bars.addEventListener("change", drawPoints);
  quick.push(drawPoints);
  return layout;
}
