// The cross-section of a build: a quarter cut, true to scale, shaded by stiffness.

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
  for (const layer of [...layers].reverse())
    picture.append(quarter(layer.diameter / 2, shade(data.shading, layer.modulus)));
  picture.append(...ruler(radius, 10));
  return picture;
}
