// The cross-section of a build: a quarter cut, true to scale, shaded by stiffness.

function shade(modulus) {
  const { stops, softest, stiffest } = data.shading;
  const share = Math.log(modulus / softest) / Math.log(stiffest / softest);
  const place = Math.min(1, Math.max(0, share)) * (stops.length - 1);
  const k = Math.min(stops.length - 2, Math.floor(place));
  const part = (text, c) => parseInt(text.slice(1 + 2 * c, 3 + 2 * c), 16);
  const mixed = [0, 1, 2].map((c) => Math.round(part(stops[k], c) + (place - k) * (part(stops[k + 1], c) - part(stops[k], c))));
  return `rgb(${mixed.join(",")})`;
}

// The layers of any build, centre outward, from the columns of all builds.
function layersOf(i) {
  return data.roles.map((role, k) => {
    const cell = (what) => axisOf.get(`layer${k + 1}.${what}`).values[i];
    if (cell("diameter") === null) return null;
    return { role, place: k, thickness: cell("thickness"), diameter: cell("diameter"), modulus: cell("modulus"),
      density: cell("density"), material: axisOf.get(`layer${k + 1}.material`).choices[cell("material")] };
  }).filter((layer) => layer !== null);
}

function cut(i, perMm) {
  const layers = layersOf(i);
  const radius = layers[layers.length - 1].diameter / 2;
  const [wide, tall] = [radius + 4.5, radius + 5];
  const words = layers.map((layer) => `${layer.role} to ${plain(layer.diameter)} mm across`).join(", ");
  const picture = svg("svg", { class: "cut", viewBox: `-1.5 ${-radius - 0.7} ${wide} ${tall}`, role: "img", "aria-label": `Quarter cut of ${buildName(i)}: ${words}` });
  picture.style.width = `${wide * perMm}mm`;
  for (const layer of [...layers].reverse()) {
    const r = layer.diameter / 2;
    picture.append(svg("path", { d: `M0 0V${-r}A${r} ${r} 0 0 1 ${r} 0Z`, fill: shade(layer.modulus), stroke: "#1d282e", "stroke-width": 0.12 }));
  }
  let ruler = `M0 1H${radius}`;
  for (let mm = 0; mm <= radius; mm += 1) ruler += `M${mm} 1v${mm % 5 ? 0.5 : 1}`;
  picture.append(svg("path", { d: ruler, stroke: "currentColor", "stroke-width": 0.12, fill: "none" }));
  for (let mm = 0; mm <= radius; mm += 10)
    picture.append(svg("text", { x: mm, y: 4, "text-anchor": "middle" }, mm === 20 ? "20 mm" : String(mm)));
  return picture;
}

function swatch(modulus) {
  const square = el("span", { class: "swatch" });
  square.style.background = shade(modulus);
  return square;
}
