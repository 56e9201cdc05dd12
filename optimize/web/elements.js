// What a run's page and the live bench make alike: elements, numbers, the cut of a ball.
// The bench imports this as a module; the page's one script takes all but the last statement.

function made(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes || {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name === "on") {
      for (const [event, action] of Object.entries(value)) node.addEventListener(event, action);
    } else node.setAttribute(name, value === true ? "" : value);
  }
  // A string becomes a text node: whatever a name holds, it is shown as it is.
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
}

const el = (name, attributes, ...children) => made(document.createElement(name), attributes, children);
const svg = (name, attributes, ...children) =>
  made(document.createElementNS("http://www.w3.org/2000/svg", name), attributes, children);
const byId = (id) => document.getElementById(id);

const decimals = (error) => (error > 0 ? Math.min(6, Math.max(0, 1 - Math.floor(Math.log10(error)))) : 4);
const minus = (text) => text.replace("-", "\u2212");
const plain = (value) => minus(String(parseFloat(value.toPrecision(5))));
const number = (value, error) => minus(value.toFixed(decimals(error)));
const signed = (value, error) => (value > 0 ? "+" : "") + number(value, error);
const withUnit = (text, unit) => (unit === "" ? text : unit === "\u00b0" ? text + unit : `${text}\u00a0${unit}`);

function shade({ stops, softest, stiffest }, modulus) {
  const share = Math.log(modulus / softest) / Math.log(stiffest / softest);
  const place = Math.min(1, Math.max(0, share)) * (stops.length - 1);
  const k = Math.min(stops.length - 2, Math.floor(place));
  const part = (text, c) => parseInt(text.slice(1 + 2 * c, 3 + 2 * c), 16);
  const mixed = [0, 1, 2].map((c) => Math.round(part(stops[k], c) + (place - k) * (part(stops[k + 1], c) - part(stops[k], c))));
  return `rgb(${mixed.join(",")})`;
}

function swatch(shading, modulus) {
  const square = el("span", { class: "swatch" });
  square.style.background = shade(shading, modulus);
  return square;
}

// A quarter of all that is within a layer; the next layer inward is laid over it.
const quarter = (r, fill) =>
  svg("path", { d: `M0 0V${-r}A${r} ${r} 0 0 1 ${r} 0Z`, fill, stroke: "#1d282e", "stroke-width": 0.12 });

// A ruler below the cut, in millimetres, with a number every `step`.
function ruler(radius, step) {
  let path = `M0 1H${radius}`;
  for (let mm = 0; mm <= radius; mm += 1) path += `M${mm} 1v${mm % 5 ? 0.5 : 1}`;
  const marks = [svg("path", { d: path, stroke: "currentColor", "stroke-width": 0.12, fill: "none" })];
  for (let mm = 0; mm <= radius; mm += step)
    marks.push(svg("text", { x: mm, y: 4, "text-anchor": "middle" }, mm === 20 ? "20 mm" : String(mm)));
  return marks;
}

export { byId, el, minus, number, plain, quarter, ruler, shade, signed, svg, swatch, withUnit };
