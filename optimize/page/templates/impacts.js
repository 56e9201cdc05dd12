// The short list in an impact: the deformed section, shaded by shear strain, and the energy by layer.

import { el, svg } from "../../web/elements.js";
import { data, section, slow, view } from "./base.js";
import { pictureButton } from "./pictures.js";
import { spreadsheet } from "./tables.js";
import { inUnit, unitOf } from "./units.js";

// Dark to light at even steps of lightness, for every kind of colour vision.
const SHADES = ["#440154", "#482173", "#433e85", "#38588c", "#2d708e", "#25858e", "#1e9b8a", "#2ab07f", "#52c569", "#86d549", "#c2df23", "#fde725"];

const joules = (value) => value.toFixed(2);

function deformed(impact) {
  const words = `Section of build ${impact.label} at greatest compression, ${impact.words}; the table below has the energy`;
  const picture = svg("svg", { class: "cut", role: "img", "aria-label": words });
  impact.shades.forEach((path, k) => picture.append(svg("path", { d: path, fill: SHADES[k], stroke: SHADES[k], "stroke-width": 0.08 })));
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

function energies(impact) {
  const heads = ["layer", "stored, J", "lost in the material, J", "left as vibration, J", `worth at most, ${unitOf("m/s")}`];
  const rows = impact.layers.map((layer) => el("tr", null, el("th", { scope: "row" }, layer.role),
    ...[layer.stored_j, layer.lost_j, layer.vibration_j, layer.worth_at_most_m_s].map((value) => el("td", { class: "n" }, joules(value)))));
  return spreadsheet(`Energy of build ${impact.label}`, el("table", null,
    el("thead", null, el("tr", null, ...heads.map((head, k) => el("th", { scope: "col", class: k ? "n" : "" }, head)))),
    el("tbody", null, ...rows)));
}

function balance(impact) {
  const whole = Object.entries(impact.whole).map(([name, value]) => `${name.slice(0, -2).replaceAll("_", " ")} ${joules(value)}`);
  return el("p", { class: "note" }, `Of ${joules(impact.given_j)} J given, J: ${whole.join(", ")}. Contact ${inUnit(impact.contact_mm2, "mm\u00b2", 0)} at ${impact.time_us} \u00b5s. Lightest shade: shear strain of ${impact.strain_top_percent} % and above.`);
}

function shown(impact) {
  const picture = deformed(impact);
  const copy = pictureButton(() => [picture], `impact of build ${impact.label}`, 4);
  return [picture, el("p", { class: "tools no-print" }, copy), energies(impact), balance(impact)];
}

export function drawImpacts() {
  if (!data.impacts || !data.impacts.length) return;
  const items = data.impacts.map((impact) => el("article", { "aria-label": `Impact of build ${impact.label}` },
    el("h3", null, impact.failed ? `Build ${impact.label}` : `Build ${impact.label}: ${impact.words}`),
    ...(impact.failed ? [el("p", { class: "note" }, impact.failed)] : shown(impact))));
  section("impacts", "In the impact", el("p", { class: "note" },
    "Sections at greatest compression, shaded by the greatest shear strain; red: contact. Stored energy comes back but for what is lost; 'worth at most' is the ball speed that a layer's loss would make if all of it came back."), el("div", { class: "impacts" }, ...items));
  slow.push(() => data.members.forEach((member) => {
    const k = data.impacts.findIndex((impact) => impact.label === member.label);
    if (k >= 0) items[k].hidden = !view.left[member.build] && !view.pins.has(member.build);
  }));
}
