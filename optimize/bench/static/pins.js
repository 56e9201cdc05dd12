// Pinned builds: up to four, compared with the one on the sliders; differences beyond their error are bold.

import { askDifferences, differenceOf } from "./differences.js";
import { byId, el, scrolling } from "./elements.js";
import { digitsOf, shown } from "./figures.js";
import { number, plain, titled } from "./numbers.js";
import { factorOf, shownAs, unitOf, wordsOf } from "./units.js";
import * as requests from "./requests.js";

const MOST = 4;
const LETTERS = "ABCD";
const pins = []; // label, name, setting, build, figures, stop
let base = "now";
let announce = () => {};
let save = () => {};
let load = () => {};
let shelf = ""; // where this tab keeps them over a reload

export function preparePins(about, speak, saveBuild, loadBuild) {
  announce = speak;
  save = saveBuild;
  load = loadBuild;
  shelf = `pins of ${about.model} ${JSON.stringify(about.start)}`;
  drawPins(about, null);
}

// Keep settings and builds; figures are computed again, or remembered by the server.
function keep() {
  const kept = pins.map(({ label: badge, name, setting, build }) => ({ label: badge, name, setting, build }));
  try { sessionStorage.setItem(shelf, JSON.stringify(kept)); } catch { /* a tab without storage forgets them */ }
}

// Bring back what this tab had pinned before it was reloaded.
export function restorePins(about, now) {
  let kept = [];
  try { kept = JSON.parse(sessionStorage.getItem(shelf)) || []; } catch { return; }
  for (const one of kept.slice(0, MOST)) {
    const pin = { ...one, figures: {}, stop: new AbortController() };
    pins.push(pin);
    complete(about, pin);
  }
  drawPins(about, now);
}

function label() {
  return [...LETTERS].find((letter) => pins.every((pin) => pin.label !== letter));
}

// Pin the build on the sliders; finite-element figures that are missing are computed for the pin.
export function addPin(about, now) {
  if (pins.length === MOST) { announce("At most four builds can be pinned; remove one first."); return; }
  const pin = { label: label(), name: now.setting.name, setting: now.setting, build: now.build, figures: {}, stop: new AbortController() };
  for (const [name, figure] of Object.entries(shown)) if (!figure.stale) pin.figures[name] = figure;
  pins.push(pin);
  pins.sort((a, b) => (a.label < b.label ? -1 : 1));
  keep();
  drawPins(about, now);
  announce(`Pinned as ${pin.label}.`);
  complete(about, pin, now);
}

async function complete(about, pin) {
  const place = `pin ${LETTERS.indexOf(pin.label) + 1}`;
  try {
    await requests.finite(pin.setting, place, pin.stop.signal, (news) => {
      Object.assign(pin.figures, news.figures);
      for (const [name, why] of Object.entries(news.failed || {})) pin.figures[name] = { failed: why };
      drawPins(about, pin.latest);
    });
  } catch (error) {
    if (error.name !== "AbortError") announce(error.message);
  }
}

function remove(about, pin, now) {
  pin.stop.abort();
  pins.splice(pins.indexOf(pin), 1);
  if (base === pin.label) base = "now";
  keep();
  drawPins(about, now);
  announce(`${pin.label} is no longer pinned.`);
  byId("pin").focus();
}

function columns(now) {
  return [{ label: "now", name: "on the sliders", figures: shown, build: now.build, setting: now.setting }, ...pins];
}

function head(about, column, now) {
  if (column.label === "now") return el("th", { scope: "col", class: "n" }, "on the sliders");
  const button = (words, action) => el("button", { type: "button", class: "quiet", on: { click: action } }, words, el("span", { class: "spoken" }, ` ${column.label}`));
  return el("th", { scope: "col", class: "n" }, el("span", { class: "badge small" }, column.label), " ", column.name, el("span", { class: "acts" },
    button("load into the sliders", () => load(column.setting)), button("save", () => save(column.setting)), button("remove", () => remove(about, column, now))));
}

function cell({ name, unit }, column, reference) {
  const factor = factorOf(unit, name);
  const own = column.figures[name];
  if (!own || own.failed) return el("td", { class: "n", title: own ? own.failed : null }, own ? "none" : "…");
  const value = number(own.value * factor, digitsOf(own) * factor);
  const mark = own.stale ? " stale" : own.basis === "emulator" ? " emulator" : "";
  const parts = [value, mark ? el("span", { class: "note" }, mark) : null];
  if (column !== reference && !own.stale) parts.push(differenceOf(reference.setting, column.setting, name, digitsOf(own), factor));
  return el("td", { class: "n", "data-figure": name }, ...parts);
}

function layerRows(about, all) {
  const [[length, perMm], [stress, perMpa]] = [shownAs("mm"), shownAs("MPa")];
  const picks = [
    [`outer dia., ${length}`, (build, i) => plain(build.diameters_mm[i] * perMm)],
    [`E, ${stress}`, (build, i) => plain(build.moduli_mpa[i] * perMpa)],
    ["density, g/cm³", (build, i) => build.densities_g_cm3[i].toFixed(3)],
  ];
  const dimples = about.patterns.length ? [el("tr", null, el("th", { scope: "row" }, "dimple pattern"), ...all.map((column) => el("td", { class: "n" }, column.setting.dimple_pattern)))] : [];
  return dimples.concat(about.layers.flatMap((layer, i) => picks.map(([what, pick]) =>
    el("tr", null, el("th", { scope: "row" }, `${layer.role}: ${what}`), ...all.map((column) => el("td", { class: "n" }, pick(column.build, i)))))));
}

// Draw the comparison with the differences told before, and again once those of these builds are told.
export function drawPins(about, now) {
  for (const pin of pins) pin.latest = now;
  drawComparison(about, now);
  if (!pins.length || !now) return;
  const all = columns(now);
  const reference = all.find((column) => column.label === base) || all[0];
  const others = all.filter((column) => column !== reference);
  askDifferences(reference.setting, others.map((column) => column.setting), () => drawComparison(about, pins.length ? pins[0].latest : now));
}

function drawComparison(about, now) {
  const place = byId("comparison");
  byId("pins-note").hidden = pins.length > 0;
  if (!pins.length || !now) { place.replaceChildren(); return; }
  const all = columns(now);
  const reference = all.find((column) => column.label === base) || all[0];
  const choice = el("select", { id: "base", on: { change: (event) => { base = event.target.value; drawPins(about, now); byId("base").focus(); } } },
    ...all.map((column) => el("option", { value: column.label, selected: column === reference }, column.label === "now" ? "the sliders" : column.label)));
  const group = (words) => el("tr", { class: "group" }, el("th", { colspan: all.length + 1, scope: "colgroup" }, words));
  const figures = about.figures.map((figure) => el("tr", null, el("th", { scope: "row" }, titled(wordsOf(figure).whole, unitOf(figure.unit, figure.name))), ...all.map((column) => cell(figure, column, reference))));
  place.replaceChildren(
    el("p", { class: "controls" }, el("label", { for: "base" }, "Differences from"), choice, el("span", { class: "note" }, "Bold: a difference beyond its error (95 %); ≈: no difference the model can tell.")),
    scrolling("Comparison", el("table", null, el("caption", { class: "spoken" }, "Pinned builds beside the one on the sliders"),
      el("thead", null, el("tr", null, el("td", null), ...all.map((column) => head(about, column, now)))),
      el("tbody", null, group("Figures"), ...figures, group("Layers"), ...layerRows(about, all)))));
}
