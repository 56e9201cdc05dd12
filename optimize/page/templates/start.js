// Putting it together: theme, sections in order, redrawing when the window changes.

readColours();
drawCards();
const layouts = [];
if (count) {
  layouts.push(drawScatter(), drawParallel());
  drawBuilds();
  drawComparison();
  drawDrivers();
}
drawFlights();
drawMargins();
drawSources();
drawCount();

const redraw = () => { readColours(); layouts.forEach((layout) => layout()); };
const root = document.documentElement;
const dark = window.matchMedia("(prefers-color-scheme: dark)");
const themeButton = byId("theme");
const isDark = () => (root.dataset.theme ? root.dataset.theme === "dark" : dark.matches);
const nameTheme = () => { themeButton.textContent = isDark() ? "Light page" : "Dark page"; };
themeButton.addEventListener("click", () => { root.dataset.theme = isDark() ? "light" : "dark"; nameTheme(); redraw(); });
dark.addEventListener("change", () => { nameTheme(); redraw(); });
let before = null;
// On paper the page is light and as wide as A4 or Letter leave it, so that charts are drawn to fit.
window.addEventListener("beforeprint", () => { before = root.dataset.theme || ""; root.dataset.theme = "light"; root.classList.add("paper"); redraw(); });
window.addEventListener("afterprint", () => { if (before) root.dataset.theme = before; else delete root.dataset.theme; root.classList.remove("paper"); redraw(); });
nameTheme();

let width = window.innerWidth;
window.addEventListener("resize", () => { if (window.innerWidth !== width) { width = window.innerWidth; requestAnimationFrame(redraw); } });

recount();
layouts.forEach((layout) => layout());
quick.forEach((draw) => draw());
slow.forEach((draw) => draw());
if (data.members.length > 1) for (const member of [data.members[0], data.members[data.members.length - 1]]) compareBuild(member.build, true);
speak("");
