// Parallel axes: a line for each build, a brush on each axis.

import { el, svg } from "../../web/elements.js";
import { axisOf, axisTitle, count, data, extent, memberAt, quick, section, setFilter, varies, view } from "./base.js";
import { colours, linear, sized, ticks, wrapped } from "./charts.js";
import { column } from "./filters.js";
import { pictureButton } from "./pictures.js";
import { nudge } from "./scatter_marks.js";

const BRUSH_WIDTH = 26;
const MOST_AXES = 9;

// Goals and limits first, then what varies in the layers, one quantity of each layer after another.
function firstAxes() {
  const usable = data.axes.filter((axis) => varies(axis));
  const goalsAndLimits = usable.filter((axis) => axis.group === "Goals" || axis.group === "Limits");
  const layers = ["thickness", "modulus", "modulus inside", "modulus outside", "shape", "material", "diameter", "density"].flatMap((what) =>
    usable.filter((axis) => axis.group === "Layers" && axis.id.endsWith(`.${what}`) && axis.id !== "layer1.thickness"));
  const rest = usable.filter((axis) => axis.group === "Other figures");
  return [...goalsAndLimits, ...layers, ...rest].slice(0, MOST_AXES).map((axis) => axis.id);
}

let shownAxes = null; // kept when the page is drawn in other units

export function drawParallel() {
  shownAxes ??= firstAxes();
  const grid = el("div", { class: "axes" });
  const canvas = el("canvas", { "aria-hidden": "true" });
  const behind = el("canvas", { "aria-hidden": "true" });
  const overlay = svg("svg", { "aria-hidden": "true" });
  const scroller = el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Axes and their fields" }, grid);
  section("filters", "Filters on parallel axes",
    el("p", { class: "note" }, "Each line is a build. Drag along an axis, or type into its fields, to keep only the builds in that range: cards, trade-off and table follow. Click an axis to clear its filter."),
    axisChooser(), el("div", { class: "controls" }, pictureButton(() => [behind, canvas, overlay], "parallel axes", 2, heads)), scroller);

  function axisChooser() {
    const groups = new Map();
    for (const axis of data.axes.filter((one) => varies(one))) {
      if (!groups.has(axis.group)) groups.set(axis.group, el("fieldset", null, el("legend", null, axis.group)));
      const box = el("input", { type: "checkbox", checked: shownAxes.includes(axis.id) });
      box.addEventListener("change", () => {
        shownAxes = data.axes.map((one) => one.id).filter((id) => (id === axis.id ? box.checked : shownAxes.includes(id)));
        if (!box.checked) setFilter(axis.id, null);
        build();
      });
      groups.get(axis.group).append(el("label", null, box, ` ${axisTitle(axis)}`));
    }
    return el("details", { class: "no-print" }, el("summary", null, "Select the axes"), el("div", { class: "choices" }, ...groups.values()));
  }

  function heads() {
    return geometry ? columns.map(({ axis }, k) => [geometry.places[k], [...wrapped(axis.label, 16), axis.unit].filter(Boolean)]) : [];
  }

  let columns = [];
  function build() {
    columns = shownAxes.map((id) => column(axisOf.get(id)));
    grid.style.minWidth = `${shownAxes.length * 7.6}rem`;
    grid.style.gridTemplateColumns = `repeat(${shownAxes.length}, minmax(0, 1fr))`;
    grid.replaceChildren(behind, canvas, overlay, ...columns.map((one) => one.node));
    layout();
  }

  // Titles as tall as the tallest, so that the axes start at one height.
  function level() {
    const titles = columns.map(({ node }) => node.querySelector("h3"));
    titles.forEach((title) => { title.style.height = "auto"; });
    const tall = Math.max(0, ...titles.map((title) => title.offsetHeight));
    titles.forEach((title) => { title.style.height = `${tall}px`; });
  }

  let geometry = null;
  function layout() {
    level();
    if (!columns.length) {
      geometry = null;
      grid.replaceChildren(el("p", { class: "note" }, "No axis is selected, or nothing varies between the builds."));
      return;
    }
    const width = grid.clientWidth;
    const rail = columns[0].node.querySelector(".rail");
    const [top, height] = [rail.offsetTop, rail.offsetHeight];
    for (const part of [behind, canvas, overlay]) part.style.top = `${top}px`;
    overlay.setAttribute("width", width);
    overlay.setAttribute("height", height);
    const places = columns.map((one) => one.node.offsetLeft + one.node.offsetWidth / 2);
    const scales = columns.map(({ axis }) => {
      const [low, high] = axis.choices ? [-0.5, axis.choices.length - 0.5] : extent(axis);
      const same = low === high ? Math.abs(low) * 0.01 || 1 : 0;
      return linear([low - same, high + same], [height - 8, 8]);
    });
    geometry = { width, height, places, scales };
    geometry.lines = Array.from({ length: count }, (_, i) => columns.map(({ axis }, k) => (axis.values[i] === null ? null : scales[k](axis.values[i] + (axis.choices ? nudge(i) : 0)))));
    geometry.back = sized(behind, width, height);
    geometry.pen = sized(canvas, width, height);
    drawBack();
    drawAxes();
    drawLines();
  }

  // Long paths of thin lines are slow to fill in one piece and slow to start one by one.
  const BATCH = 64;
  function trace(pen, which) {
    const { places, lines } = geometry;
    for (let start = 0; start < which.length; start += BATCH) {
      pen.beginPath();
      for (const i of which.slice(start, start + BATCH)) {
        let drawn = false;
        lines[i].forEach((y, k) => {
          if (y === null) drawn = false;
          else if (drawn) pen.lineTo(places[k], y);
          else { pen.moveTo(places[k], y); drawn = true; }
        });
      }
      pen.stroke();
    }
  }

  function drawBack() {
    geometry.back.clearRect(0, 0, geometry.width, geometry.height);
    geometry.back.strokeStyle = colours.filtered;
    geometry.back.globalAlpha = 0.45;
    geometry.back.lineWidth = 0.7;
    trace(geometry.back, Array.from({ length: count }, (_, i) => i));
  }

  function drawLines() {
    if (!geometry) return;
    const { pen, width, height } = geometry;
    pen.clearRect(0, 0, width, height);
    const left = [[], [], []];
    for (let i = 0; i < count; i += 1) if (view.left[i] && !memberAt.has(i)) left[data.state[i]].push(i);
    [["infeasible", 0.35, 0.8, [3, 3]], ["feasible", 0.45, 0.9, []], ["front", 0.8, 1.3, []]].forEach(([colour, alpha, wide, dash], state) => {
      pen.setLineDash(count > 600 ? [] : dash);
      pen.strokeStyle = colours[colour];
      pen.globalAlpha = alpha;
      pen.lineWidth = wide;
      trace(pen, left[state]);
    });
    pen.setLineDash([]);
    pen.globalAlpha = 1;
    pen.lineWidth = 2.2;
    pen.strokeStyle = colours.chosen;
    const members = data.members.filter((member) => view.left[member.build]);
    trace(pen, members.map((member) => member.build));
    pen.fillStyle = colours.ink;
    pen.font = "700 12px system-ui, sans-serif";
    const taken = [];
    for (const member of members) {
      let y = geometry.lines[member.build][0];
      if (y === null) continue;
      while (taken.some((other) => Math.abs(other - y) < 12)) y += 12;
      taken.push(y);
      pen.fillText(member.label, geometry.places[0] - 40, y + 4);
    }
    drawBrushes();
  }

  function drawAxes() {
    const { places, scales, height } = geometry;
    const parts = [];
    columns.forEach(({ axis }, k) => {
      parts.push(svg("line", { x1: places[k], x2: places[k], y1: 4, y2: height - 4, stroke: "var(--soft)" }));
      const ends = axis.choices ? null : extent(axis);
      const marks = axis.choices ? axis.choices.map((name, n) => [n, name]) : ticks(...ends, 5);
      for (const [value, words] of marks)
        parts.push(svg("text", { y: scales[k](value) + 4 }, ...wrapped(words, 12).map((line, n) => svg("tspan", { x: places[k] + 6, dy: n ? 12 : 0 }, line))));
      parts.push(svg("rect", { class: "brush", "data-axis": axis.id, x: places[k] - BRUSH_WIDTH / 2, width: BRUSH_WIDTH, visibility: "hidden" }));
      const hit = svg("rect", { class: "hit", "data-axis": axis.id, x: places[k] - 1.2 * BRUSH_WIDTH, width: 2.4 * BRUSH_WIDTH, y: 0, height });
      brushing(hit, axis, scales[k]);
      parts.push(hit);
    });
    overlay.replaceChildren(...parts);
  }

  function drawBrushes() {
    columns.forEach(({ axis, sync }, k) => {
      const filter = view.filters.get(axis.id);
      const mark = overlay.querySelectorAll(".brush")[k];
      sync(filter);
      if (!filter) return mark.setAttribute("visibility", "hidden");
      const scale = geometry.scales[k];
      const ends = filter.choices
        ? [Math.min(...filter.choices) - 0.5, Math.max(...filter.choices) + 0.5]
        : [Math.max(filter.low, extent(axis)[0]), Math.min(filter.high, extent(axis)[1])];
      const [top, bottom] = [scale(ends[1]), scale(ends[0])];
      mark.setAttribute("visibility", "visible");
      mark.setAttribute("y", Math.min(top, bottom));
      mark.setAttribute("height", Math.max(2, bottom - top));
      return undefined;
    });
  }

  quick.push(drawLines);
  build();
  return layout;
}

// Dragging draws a brush, dragging inside one moves it, a click without dragging clears it.
function brushing(hit, axis, scale) {
  let start = null;
  hit.addEventListener("pointerdown", (event) => {
    const y = event.clientY - hit.getBoundingClientRect().top;
    const filter = view.filters.get(axis.id);
    const at = scale.invert(y);
    const inside = filter && !filter.choices && at > filter.low && at < filter.high && Number.isFinite(filter.low + filter.high);
    start = { y, moved: inside ? { ...filter } : null };
    hit.setPointerCapture(event.pointerId);
    event.preventDefault();
  });
  hit.addEventListener("pointermove", (event) => {
    if (!start) return;
    const y = event.clientY - hit.getBoundingClientRect().top;
    if (Math.abs(y - start.y) < 3) return;
    const shift = scale.invert(y) - scale.invert(start.y);
    if (start.moved) setFilter(axis.id, { low: start.moved.low + shift, high: start.moved.high + shift });
    else setFilter(axis.id, ranged(axis, scale.invert(start.y), scale.invert(y)));
    start.dragged = true;
  });
  hit.addEventListener("pointerup", () => {
    if (start && !start.dragged) setFilter(axis.id, null);
    start = null;
  });
  hit.addEventListener("pointercancel", () => { start = null; });
}

function ranged(axis, a, b) {
  const [low, high] = [Math.min(a, b), Math.max(a, b)];
  if (!axis.choices) return { low, high };
  const inside = axis.choices.map((_, k) => k).filter((k) => k + 0.5 > low && k - 0.5 < high);
  return inside.length ? { choices: new Set(inside) } : null;
}
