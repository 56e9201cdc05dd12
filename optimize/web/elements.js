// Elements of a page, made so that a name is only ever text.

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
  el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": `${label}: table` }, ...children);
