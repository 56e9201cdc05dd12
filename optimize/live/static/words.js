// Making elements and writing numbers.

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

export const el = (name, attributes, ...children) => made(document.createElement(name), attributes, children);
export const svg = (name, attributes, ...children) =>
  made(document.createElementNS("http://www.w3.org/2000/svg", name), attributes, children);
export const byId = (id) => document.getElementById(id);

// A table wider than the page scrolls by itself, also by keyboard.
export const scrolling = (label, ...children) =>
  el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": label }, ...children);

const decimals = (error) => (error > 0 ? Math.min(6, Math.max(0, 1 - Math.floor(Math.log10(error)))) : 4);
const minus = (text) => text.replace("-", "\u2212");
export const plain = (value) => minus(String(parseFloat(value.toPrecision(5))));
export const number = (value, error) => minus(value.toFixed(decimals(error)));
export const signed = (value, error) => (value > 0 ? "+" : "") + number(value, error);
export const spread = (error) => (error > 0 ? `\u00b1\u00a0${minus(String(parseFloat(error.toPrecision(2))))}` : "exact");
export const digitsOf = (figure) => figure.between || figure.alone;
export const withUnit = (text, unit) => (unit === "" ? text : unit === "\u00b0" ? text + unit : `${text}\u00a0${unit}`);
