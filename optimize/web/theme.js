// The button that turns the page dark or light; until it is used, the system's preference holds.

import { byId } from "./elements.js";

// `redraw` is called when the colours have changed.
export function prepareTheme(redraw = () => {}) {
  const root = document.documentElement;
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const isDark = () => (root.dataset.theme ? root.dataset.theme === "dark" : dark.matches);
  const name = () => { byId("theme").textContent = isDark() ? "Light page" : "Dark page"; };
  byId("theme").addEventListener("click", () => {
    root.dataset.theme = isDark() ? "light" : "dark";
    name();
    redraw();
  });
  dark.addEventListener("change", () => { name(); redraw(); });
  name();
}
