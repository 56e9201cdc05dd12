// The cut: a quarter of the ball, true to scale, shaded by stiffness, its layers named beside it.

import { byId, el, plain, svg } from "./words.js";

function shade(shading, modulus) {
  const { stops, softest, stiffest } = shading;
  const share = Math.log(modulus / softest) / Math.log(stiffest / softest);
  const place = Math.min(1, Math.max(0, share)) * (stops.length - 1);
  const k = Math.min(stops.length - 2, Math.floor(place));
  const part = (text, c) => parseInt(text.slice(1 + 2 * c, 3 + 2 * c), 16);
  const mixed = [0, 1, 2].map((c) => Math.round(part(stops[k], c) + (place - k) * (part(stops[k + 1], c) - part(stops[k], c))));
  return `rgb(${mixed.join(",")})`;
}

function ruler(radius) {
  let path = `M0 1H${radius}`;
  for (let mm = 0; mm <= radius; mm += 1) path += `M${mm} 1v${mm % 5 ? 0.5 : 1}`;
  const marks = [svg("path", { d: path, stroke: "currentColor", "stroke-width": 0.12, fill: "none" })];
  for (let mm = 0; mm <= radius; mm += 5) marks.push(svg("text", { x: mm, y: 4, "text-anchor": "middle" }, mm === 20 ? "20 mm" : String(mm)));
  return marks;
}

// Names stand to the right, one below the other, each with a line to the middle of its layer.
function names(about, build, radius) {
  const count = build.diameters_mm.length;
  return build.diameters_mm.flatMap((across, i) => {
    const y = -radius * (0.1 + (0.84 * i) / Math.max(1, count - 1));
    const middle = across / 2 - build.thicknesses_mm[i] / 2;
    const inner = -Math.min(-y, 0.8 * middle);
    const x = Math.sqrt(Math.max(0, middle ** 2 - inner ** 2));
    const elbow = radius + 1;
    const size = i === 0 ? `${plain(across)} mm across` : `${build.thicknesses_mm[i].toFixed(2)} mm`;
    return [
      svg("path", { d: `M${x} ${inner}L${elbow} ${y}h1`, stroke: "currentColor", "stroke-width": 0.13, fill: "none" }),
      svg("circle", { cx: x, cy: inner, r: 0.35, fill: "var(--card)", stroke: "currentColor", "stroke-width": 0.13 }),
      svg("text", { x: elbow + 1.5, y: y + 0.1, class: "role" }, about.layers[i].role),
      svg("text", { x: elbow + 1.5, y: y + 2.3 }, `${size}, ${build.masses_g[i].toFixed(2)} g`),
    ];
  });
}

export function drawCut(about, build) {
  const radius = build.diameters_mm[build.diameters_mm.length - 1] / 2;
  const words = build.diameters_mm.map((across, i) => `${about.layers[i].role} to ${plain(across)} mm across`).join(", ");
  const picture = svg("svg", { class: "cut", viewBox: `-1.5 ${-radius - 1} ${radius + 27} ${radius + 6}`, role: "img", "aria-label": `Quarter cut, true to scale: ${words}` });
  for (let i = build.diameters_mm.length - 1; i >= 0; i -= 1) {
    const r = build.diameters_mm[i] / 2;
    picture.append(svg("path", { d: `M0 0V${-r}A${r} ${r} 0 0 1 ${r} 0Z`, fill: shade(about.shading, build.moduli_mpa[i]), stroke: "#1d282e", "stroke-width": 0.12 }));
    byId(`swatch-${i}`).style.background = shade(about.shading, build.moduli_mpa[i]);
    byId(`size-${i}`).textContent = i === 0 ? `${plain(build.diameters_mm[0])} mm across: what the others leave; ${build.masses_g[0].toFixed(2)} g` : `to ${plain(build.diameters_mm[i])} mm across; ${build.masses_g[i].toFixed(2)} g`;
  }
  picture.append(...ruler(radius), ...names(about, build, radius));
  byId("cut").replaceChildren(picture, key(about));
}

function key(about) {
  const steps = [20, 50, 100, 200, 500].map((modulus) => {
    const square = el("span", { class: "swatch" });
    square.style.background = shade(about.shading, modulus);
    return el("li", null, square, String(modulus));
  });
  return el("ul", { class: "legend key", "aria-label": "Shades of Young's modulus, MPa" }, ...steps, el("li", { class: "note" }, "Young's modulus, MPa"));
}
