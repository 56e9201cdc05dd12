// The cross-section of a build: a quarter, true to scale, shaded by stiffness.

import { INCH, layerShades, powerShells, ruler } from "../../web/cross_section.js";
import { svg } from "../../web/elements.js";
import { axisOf, buildName, data, view } from "./base.js";
import { computed, plainIn } from "./units.js";

// The layers of any build, centre outward, from the columns of all builds; in mm and MPa, to draw.
export function layersOf(i) {
  return data.roles.map((role, k) => {
    const cell = (what) => computed.get(`layer${k + 1}.${what}`)?.[i] ?? null;
    if (cell("diameter") === null) return null;
    const profile = cell("shape") === null ? null : { inside: cell("modulus inside"), outside: cell("modulus outside"), shape: cell("shape") };
    return { profile, role, place: k, thickness: cell("thickness"), diameter: cell("diameter"), modulus: cell("modulus"),
      density: cell("density"), material: axisOf.get(`layer${k + 1}.material`).choices[cell("material")] };
  }).filter((layer) => layer !== null);
}

// A layer's modulus in words: of a graded one at its inner surface, or the centre, and its outer.
export function modulusWords({ modulus, profile }) {
  if (!profile) return plainIn(modulus, "MPa");
  const [inside, outside] = [profile.inside, profile.outside].map((value) => plainIn(parseFloat(value.toPrecision(3)), "MPa"));
  return inside === outside ? inside : `${inside.split("\u00a0")[0]} to ${outside}`;
}

export function crossSection(i, perMm) {
  const layers = layersOf(i);
  const radius = layers[layers.length - 1].diameter / 2;
  const [wide, tall] = [radius + 4.5, radius + 5];
  const words = layers.map((layer) => `${layer.role} ${plainIn(layer.diameter, "mm")} outer dia.${layer.profile ? `, ${modulusWords(layer)} from inside to outside` : ""}`).join(", ");
  const picture = svg("svg", { class: "cut", viewBox: `-1.5 ${-radius - 0.7} ${wide} ${tall}`, role: "img", "aria-label": `Quarter section of ${buildName(i)}: ${words}` });
  picture.style.width = `${wide * perMm}mm`;
  for (const layer of [...layers].reverse())
    picture.append(...layerShades(data.shading, layer.profile ? powerShells(layer) : [[layer.diameter / 2, layer.modulus]]));
  picture.append(...(view.units === "trade" ? ruler(radius, 0.5, INCH) : ruler(radius, 10)));
  return picture;
}
