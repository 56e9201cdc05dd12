// The cross-section: a quarter of the ball, true to scale, shaded by stiffness, with the layers' names.

import { INCH, layerShades, ruler, shade, swatch } from "./cross_section.js";
import { byId, el, svg } from "./elements.js";
import { plain } from "./numbers.js";
import { factorOf, inUnit, unitOf } from "./units.js";

const outer = (diameter) => `${plain(diameter * factorOf("mm"))} ${unitOf("mm")} outer dia.`;

// Names are listed to the right, each with a line to the middle of its layer.
function names(about, build, radius) {
  const count = build.diameters_mm.length;
  return build.diameters_mm.flatMap((diameter, i) => {
    const y = -radius * (0.1 + (0.84 * i) / Math.max(1, count - 1));
    const middle = diameter / 2 - build.thicknesses_mm[i] / 2;
    const inner = -Math.min(-y, 0.8 * middle);
    const x = Math.sqrt(Math.max(0, middle ** 2 - inner ** 2));
    const elbow = radius + 1;
    const size = i === 0 ? outer(diameter) : inUnit(build.thicknesses_mm[i], "mm", 2);
    return [
      svg("path", { d: `M${x} ${inner}L${elbow} ${y}h1`, stroke: "currentColor", "stroke-width": 0.13, fill: "none" }),
      svg("circle", { cx: x, cy: inner, r: 0.35, fill: "var(--card)", stroke: "currentColor", "stroke-width": 0.13 }),
      svg("text", { x: elbow + 1.5, y: y + 0.1, class: "role" }, about.layers[i].role),
      svg("text", { x: elbow + 1.5, y: y + 2.3 }, `${size}, ${inUnit(build.masses_g[i], "g", 2)}`),
    ];
  });
}

export function drawSection(about, build) {
  const radius = build.diameters_mm[build.diameters_mm.length - 1] / 2;
  const graded = (shells) => (shells.length > 1 ? `, ${inUnit(shells[shells.length - 1][1], "MPa", 1)} to ${inUnit(shells[0][1], "MPa", 1)} from inside to outside` : "");
  const words = build.diameters_mm.map((diameter, i) => `${about.layers[i].role} ${outer(diameter)}${graded(build.shells[i])}`).join(", ");
  const picture = svg("svg", { class: "cut", viewBox: `-1.5 ${-radius - 1} ${radius + (factorOf("mm") === 1 ? 30 : 33)} ${radius + 6}`, role: "img", "aria-label": `Quarter section, true to scale: ${words}` });
  for (let i = build.diameters_mm.length - 1; i >= 0; i -= 1) {
    picture.append(...layerShades(about.shading, build.shells[i]));
    byId(`swatch-${i}`).style.background = shade(about.shading, build.moduli_mpa[i]);
    byId(`size-${i}`).textContent = i === 0 ? `${outer(build.diameters_mm[0])}, set by the other layers; ${inUnit(build.masses_g[0], "g", 2)}` : `${outer(build.diameters_mm[i])}; ${inUnit(build.masses_g[i], "g", 2)}`;
  }
  picture.append(...(unitOf("mm") === "in" ? ruler(radius, 0.5, INCH) : ruler(radius, 5)), ...names(about, build, radius));
  byId("cut").replaceChildren(picture, key(about));
}

function key(about) {
  const [unit, factor] = [unitOf("MPa"), factorOf("MPa")];
  const steps = [20, 50, 100, 200, 500].map((modulus) => el("li", null, swatch(about.shading, modulus), factor === 1 ? String(modulus) : plain(parseFloat((modulus * factor).toPrecision(2)))));
  return el("ul", { class: "legend key", "aria-label": `Shades of Young's modulus, ${unit}` }, ...steps, el("li", { class: "note" }, `Young's modulus, ${unit}`));
}
