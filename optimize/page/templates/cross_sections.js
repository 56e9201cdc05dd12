// The cross-section of a build: a quarter, true to scale, shaded by stiffness.

import { quarter, ruler, shade } from "../../web/cross_section.js";
import { svg } from "../../web/elements.js";
import { plain } from "../../web/numbers.js";
import { axisOf, buildName, data } from "./base.js";

// The layers of any build, centre outward, from the columns of all builds.
export function layersOf(i) {
  return data.roles.map((role, k) => {
    const cell = (what) => axisOf.get(`layer${k + 1}.${what}`).values[i];
    if (cell("diameter") === null) return null;
    return { role, place: k, thickness: cell("thickness"), diameter: cell("diameter"), modulus: cell("modulus"),
      density: cell("density"), material: axisOf.get(`layer${k + 1}.material`).choices[cell("material")] };
  }).filter((layer) => layer !== null);
}

export function crossSection(i, perMm) {
  const layers = layersOf(i);
  const radius = layers[layers.length - 1].diameter / 2;
  const [wide, tall] = [radius + 4.5, radius + 5];
  const words = layers.map((layer) => `${layer.role} ${plain(layer.diameter)} mm outer dia.`).join(", ");
  const picture = svg("svg", { class: "cut", viewBox: `-1.5 ${-radius - 0.7} ${wide} ${tall}`, role: "img", "aria-label": `Quarter section of ${buildName(i)}: ${words}` });
  picture.style.width = `${wide * perMm}mm`;
  for (const layer of [...layers].reverse())
    picture.append(quarter(layer.diameter / 2, shade(data.shading, layer.modulus)));
  picture.append(...ruler(radius, 10));
  return picture;
}
