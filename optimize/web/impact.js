// An impact: the section at greatest compression, shaded by shear strain, and the energy by layer.

import { el, svg } from "./elements.js";

// Dark to light at even steps of lightness, for every kind of colour vision.
const STRAIN_SHADES = ["#440154", "#482173", "#433e85", "#38588c", "#2d708e", "#25858e", "#1e9b8a", "#2ab07f", "#52c569", "#86d549", "#c2df23", "#fde725"];

const joules = (value) => value.toFixed(2);

// `whose` is the build in words.
export function deformed(impact, whose) {
  const words = `Section of ${whose} at greatest compression, ${impact.words}; the table below has the energy`;
  const picture = svg("svg", { class: "cut", role: "img", "aria-label": words });
  impact.shades.forEach((path, k) => picture.append(svg("path", { d: path, fill: STRAIN_SHADES[k], stroke: STRAIN_SHADES[k], "stroke-width": 0.08 })));
  const line = (path, colour, width) => svg("path", { d: path, fill: "none", stroke: colour, "stroke-width": width });
  picture.append(line(impact.interfaces, "#ffffff", 0.18), line(impact.surface, "currentColor", 0.25),
    line(impact.face, "currentColor", 0.4), line(impact.contact, "#d1495b", 0.9));
  const numbers = impact.surface.match(/-?\d+\.\d+/g).map(Number);
  const [x, y] = [0, 1].map((axis) => numbers.filter((_, n) => n % 2 === axis));
  const [left, right, top, low] = [Math.min(...x) - 3, Math.max(...x) + 3, Math.min(...y) - 3, Math.max(...y) + 3];
  picture.setAttribute("viewBox", `${left} ${top} ${right - left} ${low - top}`);
  picture.style.width = `${2 * (right - left)}mm`;
  return picture;
}

// `speed` is the unit of the last column, whose numbers are times `factor`.
export function energyTable(impact, speed = "m/s", factor = 1) {
  const heads = ["layer", "stored, J", "lost in the material, J", "left as vibration, J", `worth at most, ${speed}`];
  const rows = impact.layers.map((layer) => el("tr", null, el("th", { scope: "row" }, layer.role),
    ...[layer.stored_j, layer.lost_j, layer.vibration_j, factor * layer.worth_at_most_m_s].map((value) => el("td", { class: "n" }, joules(value)))));
  return el("table", null,
    el("thead", null, el("tr", null, ...heads.map((head, k) => el("th", { scope: "col", class: k ? "n" : "" }, head)))),
    el("tbody", null, ...rows));
}

export function balance(impact, area = `${impact.contact_mm2} mm\u00b2`) {
  const whole = Object.entries(impact.whole).map(([name, value]) => `${name.slice(0, -2).replaceAll("_", " ")} ${joules(value)}`);
  return el("p", { class: "note" }, `Of ${joules(impact.given_j)} J given, J: ${whole.join(", ")}. Contact ${area} at ${impact.time_us} \u00b5s. Lightest shade: shear strain of ${impact.strain_top_percent} % and above.`);
}

export const IMPACT_NOTE = "Sections at greatest compression, shaded by the greatest shear strain; red: contact. Stored energy comes back but for what is lost; 'worth at most' is the ball speed that a layer's loss would make if all of it came back.";
