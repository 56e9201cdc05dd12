// Putting it together: theme, sections in order, redrawing when the window changes.

import { byId } from "../../web/elements.js";
import { prepareTheme } from "../../web/theme.js";
import { followView, keepAddress } from "./address.js";
import { clearSections, compareBuild, count, data, onCompared, onPins, onReference, onSwing, quick, recount, slow, speak } from "./base.js";
import { drawBuilds } from "./builds.js";
import { drawCards } from "./cards.js";
import { readColours } from "./charts.js";
import { drawComparison } from "./compare.js";
import { drawCount, prepareReset } from "./filters.js";
import { drawFlights } from "./flights.js";
import { drawImpacts } from "./impacts.js";
import { drawParallel } from "./parallel.js";
import { drawScatter } from "./scatter.js";
import { drawSensitivity } from "./sensitivity.js";
import { drawMargins, drawSources } from "./sources.js";
import { prepareUnits } from "./units.js";
import { drawVerdicts } from "./verdicts.js";

let layouts = [];
function drawSections() {
  clearSections();
  document.querySelector("h1").textContent = data.question;
  byId("summary").textContent = data.summary;
  drawVerdicts();
  drawCards();
  layouts = [];
  if (count) {
    layouts.push(drawScatter(), drawParallel());
    drawBuilds();
    drawComparison();
    drawSensitivity();
  }
  drawFlights();
  drawImpacts();
  drawMargins();
  drawSources();
  drawCount();
}

// What follows the state of the view, once its sections stand.
function drawState() {
  recount();
  layouts.forEach((layout) => layout());
  [...quick, ...onPins, ...onReference, ...onCompared, ...onSwing, ...slow].forEach((draw) => draw());
}

function drawAnew() {
  drawSections();
  drawState();
  followView();
  quick.forEach((draw) => draw());
}

readColours();
prepareUnits(drawAnew);
prepareReset();
drawSections();

const redraw = () => { readColours(); layouts.forEach((layout) => layout()); };
const root = document.documentElement;
prepareTheme(redraw);
let before = null;
// On paper the page is light and as wide as A4 or Letter leave it, so that charts are drawn to fit.
let opened = [];
window.addEventListener("beforeprint", () => { opened = [...document.querySelectorAll("details:not([open])")]; opened.forEach((panel) => { panel.open = true; }); before = root.dataset.theme || ""; root.dataset.theme = "light"; root.classList.add("paper"); redraw(); });
window.addEventListener("afterprint", () => { opened.forEach((panel) => { panel.open = false; }); if (before) root.dataset.theme = before; else delete root.dataset.theme; root.classList.remove("paper"); redraw(); });

const sticky = document.querySelector(".bar");
new ResizeObserver(() => root.style.setProperty("--bar", `${sticky.offsetHeight}px`)).observe(sticky);

let width = window.innerWidth;
window.addEventListener("resize", () => { if (window.innerWidth !== width) { width = window.innerWidth; requestAnimationFrame(redraw); } });

drawState();
if (data.members.length > 1) for (const member of [data.members[0], data.members[data.members.length - 1]]) compareBuild(member.build, true);
keepAddress(drawAnew);
speak("");
