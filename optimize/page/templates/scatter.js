// The trade-off: any quantity of the builds against any other.

import { el, svg } from "../../web/elements.js";
import { withUnit } from "../../web/numbers.js";
import { STATES, axisOf, axisText, axisTitle, buildName, compareBuild, count, data, onReference, order, quick, section, sentence, varies, view } from "./base.js";
import { MARKS, colours, legendMark, linear, sized } from "./charts.js";
import { pictureButton } from "./pictures.js";
import { axisParts, frame } from "./scatter_axes.js";
import { errorBars, known, memberMarks, nudge, stairs } from "./scatter_marks.js";

function axisOptions(select, chosen) {
  const groups = new Map();
  for (const axis of [...data.axes, order]) {
    if (!varies(axis) && axis !== order && axis.id !== chosen) continue;
    if (!groups.has(axis.group)) groups.set(axis.group, el("optgroup", { label: axis.group }));
    groups.get(axis.group).append(el("option", { value: axis.id, selected: axis.id === chosen }, axisTitle(axis)));
  }
  select.append(...groups.values());
}

const defaults = data.goals.map((goal) => goal.figure);
const chosen = { x: defaults.length > 1 ? defaults[0] : order.id, y: defaults[defaults.length > 1 ? 1 : 0] };

export function drawScatter() {
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
    [3, `${data.feasible ? "short list" : "closest infeasible"}, with the error of the difference from the reference`]];
  const legend = el("ul", { class: "legend" }, ...kinds.map(([state, words]) => el("li", null, legendMark(state), words)));
  section("trade-off", "Trade-off",
    el("div", { class: "controls" }, ...labels, el("label", null, all, "Show every build"), el("label", null, bars, "Error bars on all builds"), pictureButton(() => [ground, canvas, overlay], "trade-off")),
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
    geometry = { everything: all.checked, width, height, box, x, y, xAxis, yAxis, place, pen: sized(canvas, width, height) };
    for (const layer of [ground, overlay]) {
      layer.setAttribute("width", width);
      layer.setAttribute("height", height);
    }
    ground.replaceChildren(...axisParts(geometry, "x"), ...axisParts(geometry, "y"));
    overlay.replaceChildren(...stairs(geometry), ...memberMarks(geometry));
    drawPoints();
  }

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
      if (!known(geometry, i)) continue;
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
    if (bars.checked) errorBars(geometry, groups.slice(1).flat());
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

  function nearest(event) {
    const area = canvas.getBoundingClientRect();
    const [mx, my] = [event.clientX - area.left, event.clientY - area.top];
    let best = null;
    let reach = 14;
    for (let i = 0; i < count; i += 1) {
      if (!view.left[i] || !known(geometry, i)) continue;
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
    readout.textContent = i === null ? hint : `${sentence(buildName(i))}: ${STATES[data.state[i]]}; ${say(geometry.xAxis)}; ${say(geometry.yAxis)}.`;
  });
  host.addEventListener("click", (event) => {
    const i = event.target.closest("a") ? null : nearest(event);
    if (i !== null) compareBuild(i, !view.compared.includes(i));
  });
  for (const which of ["x", "y"]) selects[which].addEventListener("change", () => { chosen[which] = selects[which].value; layout(); });
  all.addEventListener("change", layout);
  bars.addEventListener("change", drawPoints);
  onReference.push(layout);
  quick.push(drawPoints);
  return layout;
}
