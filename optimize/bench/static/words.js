// What the bench's views write alike.

import { el, minus } from "./making.js";

// A table wider than the page scrolls by itself, also by keyboard.
export const scrolling = (label, ...children) =>
  el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": label }, ...children);

export const spread = (error) => (error > 0 ? `\u00b1\u00a0${minus(String(parseFloat(error.toPrecision(2))))}` : "exact");
export const digitsOf = (figure) => figure.between || figure.alone;
