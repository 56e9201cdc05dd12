// What drives what: how strongly figures answer to the layers' quantities.

// A bar from the middle, to the right where the figure rises; `full` is the longest.
function bar(value, full, [low, high], [up, down] = ["var(--m1)", "var(--m0)"]) {
  const [half, height] = [44, 14];
  const end = half + (value / full) * (half - 4);
  const at = (v) => Math.min(2 * half - 1, Math.max(1, half + (v / full) * (half - 4)));
  return svg("svg", { width: 2 * half, height, "aria-hidden": "true" },
    svg("line", { x1: half, x2: half, y1: 0, y2: height, stroke: "var(--soft)" }),
    svg("rect", { x: Math.min(half, end), y: 3, width: Math.abs(end - half), height: height - 6, fill: value > 0 ? up : down }),
    high > low ? svg("line", { x1: at(low), x2: at(high), y1: height / 2, y2: height / 2, stroke: "var(--ink)" }) : null);
}

// A bar from the left: a share, with its interval.
function shareBar(value, full, [low, high]) {
  const [wide, height] = [64, 14];
  const at = (v) => 1 + Math.min(1, v / full) * (wide - 2);
  return svg("svg", { width: wide, height, "aria-hidden": "true" },
    svg("line", { x1: 1, x2: 1, y1: 0, y2: height, stroke: "var(--soft)" }),
    svg("rect", { x: 1, y: 3, width: at(value) - 1, height: height - 6, fill: "var(--keeps)" }),
    svg("line", { x1: at(low), x2: at(high), y1: height / 2, y2: height / 2, stroke: "var(--ink)" }));
}

function driverTable(found, caption, cell) {
  const heads = found.figures.map((name) => el("th", { scope: "col", class: "n" }, name));
  const strongest = found.freedoms.map((_, j) => Math.max(...found.figures.map((__, f) => Math.abs((found.strength || found.total)[f][j]))));
  const rows = found.freedoms.map((name, j) => [strongest[j], el("tr", null, el("th", { scope: "row" }, name), ...found.figures.map((_, f) => cell(f, j)))]);
  rows.sort((a, b) => b[0] - a[0]);
  const last = found.explained ? [el("tr", null, el("th", { scope: "row" }, "explained by straight lines"), ...found.explained.map((share) => el("td", { class: "n" }, `${Math.round(100 * share)} %`)))] : [];
  return scrolling(caption, el("table", null, el("caption", null, caption), el("thead", null, el("tr", null, el("th", { scope: "col" }, "quantity"), ...heads)), el("tbody", null, ...rows.map(([, row]) => row), ...last)));
}

function drawDrivers() {
  const parts = [];
  const { influence, sobol } = data;
  if (sobol) {
    const full = Math.max(0.01, ...sobol.high.flat());
    parts.push(el("h3", null, "Over the whole space: whose share of the spread"), el("ul", null, ...sobol.sentences.map((words) => el("li", null, words))), el("p", { class: "note" }, sobol.source),
      driverTable(sobol, "Share of the variance that a quantity has a part in (in brackets: alone)", (f, j) =>
        el("td", { class: "n" }, shareBar(sobol.total[f][j], full, [sobol.low[f][j], sobol.high[f][j]]), el("span", { class: "cell" }, `${Math.round(100 * sobol.total[f][j])} % (${Math.round(100 * sobol.first[f][j])} %)`))),
      el("details", null, el("summary", null, "What these shares mean, and how far to trust them"), ...sobol.notes.map((words) => el("p", { class: "note" }, words))));
  }
  if (influence) {
    const full = Math.max(0.01, ...influence.strength.flat().map(Math.abs));
    parts.push(el("h3", null, "Over the builds of this run: which way, how strongly"), el("p", { class: "note" }, "Straight lines through all computed builds, everything over its own spread: +0.5 means that one spread more of the quantity goes with half a spread more of the figure, the others held. Bold where the 95 % interval leaves no doubt about the sign. The builds of a search crowd where the goals are met, so this ranks; slopes at one build come from \u2018orbwright sensitivity local\u2019."),
      driverTable(influence, "Strength over the builds of this run", (f, j) => {
        const [value, error] = [influence.strength[f][j], influence.error[f][j]];
        const sure = Math.abs(value) > error;
        return el("td", { class: "n" }, bar(value, full, [value - error, value + error]), el(sure ? "b" : "span", { class: sure ? "beyond cell" : "same cell" }, signed(value, 0.1)));
      }));
  }
  if (!parts.length) parts.push(el("p", null, "Too few builds were computed to tell."));
  section("drivers", "What drives what", ...parts);
}
