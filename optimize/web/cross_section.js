// A ball's quarter section: shades by stiffness, one path a layer, a ruler.

import { el, svg } from "./elements.js";

export function shade({ stops, softest, stiffest }, modulus) {
  const share = Math.log(modulus / softest) / Math.log(stiffest / softest);
  const place = Math.min(1, Math.max(0, share)) * (stops.length - 1);
  const k = Math.min(stops.length - 2, Math.floor(place));
  const part = (text, c) => parseInt(text.slice(1 + 2 * c, 3 + 2 * c), 16);
  const mixed = [0, 1, 2].map((c) => Math.round(part(stops[k], c) + (place - k) * (part(stops[k + 1], c) - part(stops[k], c))));
  return `rgb(${mixed.join(",")})`;
}

export function swatch(shading, modulus) {
  const square = el("span", { class: "swatch" });
  square.style.background = shade(shading, modulus);
  return square;
}

// A quarter of all that is within a layer; the next layer inward is laid over it.
export const quarter = (r, fill) =>
  svg("path", { d: `M0 0V${-r}A${r} ${r} 0 0 1 ${r} 0Z`, fill, stroke: "#1d282e", "stroke-width": 0.12 });

// A layer by its shells [outer radius, modulus] from outside in; an even one has a single shell.
export const layerShades = (shading, shells) => shells.map(([radius, modulus], k) => {
  const shell = quarter(radius, shade(shading, modulus));
  if (k) shell.setAttribute("stroke", "none");
  return shell;
});

const SHELLS = 24;

// The shells of a profile inside + (outside - inside) x^shape, x from 0 to 1 across the layer.
export function powerShells({ thickness, diameter, profile: { inside, outside, shape } }) {
  return Array.from({ length: inside === outside ? 1 : SHELLS }, (_, k) => {
    const middle = (SHELLS - k - 0.5) / SHELLS;
    return [diameter / 2 - (thickness * k) / SHELLS, inside + (outside - inside) * middle ** shape];
  });
}

export const INCH = { unit: "in", size: 25.4, least: 0.05, named: 0.5 };
const MILLIMETRE = { unit: "mm", size: 1, least: 1, named: 20 };

// A ruler below the section, in units of `size` mm, a mark at the `least`, a number every `step`.
export function ruler(radius, step, { unit, size, least, named } = MILLIMETRE) {
  let path = `M0 1H${radius}`;
  for (let k = 0; k * least * size <= radius; k += 1) path += `M${k * least * size} 1v${k % 5 ? 0.5 : 1}`;
  const marks = [svg("path", { d: path, stroke: "currentColor", "stroke-width": 0.12, fill: "none" })];
  for (let at = 0; at * size <= radius; at += step)
    marks.push(svg("text", { x: at * size, y: 4, "text-anchor": "middle" }, at === named ? `${at} ${unit}` : String(at)));
  return marks;
}
