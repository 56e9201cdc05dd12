// Pinned builds: up to four, side by side with the sliders; differences beyond error in bold.

import { shown } from "./figures.js";
import { byId, el, number, plain, signed } from "./making.js";
import { put } from "./sliders.js";
import * as talk from "./talk.js";
import { digitsOf, scrolling } from "./words.js";

const MOST = 4;
const LETTERS = "ABCD";
const pins = []; // label, name, setting, build, figures, stop
let base = "now";
let say = () => {};
let save = () => {};

export function preparePins(about, speak, saveBuild) {
  say = speak;
  save = saveBuild;
  drawPins(about, null);
}

function label() {
  return [...LETTERS].find((letter) => pins.every((pin) => pin.label !== letter));
}

// Pin the build on the sliders; what finite elements have not yet told is computed for the pin.
export function addPin(about, now) {
  if (pins.length === MOST) { say("Four builds are the most to compare; take one out first."); return; }
  const pin = { label: label(), name: now.setting.name, setting: now.setting, build: now.build, figures: {}, stop: new AbortController() };
  for (const [name, figure] of Object.entries(shown)) if (!figure.stale) pin.figures[name] = figure;
  pins.push(pin);
  pins.sort((a, b) => (a.label < b.label ? -1 : 1));
  drawPins(about, now);
  say(`Pinned as ${pin.label}.`);
  complete(about, pin, now);
}

async function complete(about, pin) {
  const place = `pin ${LETTERS.indexOf(pin.label) + 1}`;
  try {
    await talk.finite(pin.setting, place, pin.stop.signal, (news) => {
      Object.assign(pin.figures, news.figures);
      for (const [name, why] of Object.entries(news.failed || {})) pin.figures[name] = { failed: why };
      drawPins(about, pin.latest);
    });
  } catch (error) {
    if (error.name !== "AbortError") say(error.message);
  }
}

function remove(about, pin, now) {
  pin.stop.abort();
  pins.splice(pins.indexOf(pin), 1);
  if (base === pin.label) base = "now";
  drawPins(about, now);
  say(`${pin.label} is no longer pinned.`);
  byId("pin").focus();
}

function columns(now) {
  return [{ label: "now", name: "on the sliders", figures: shown, build: now.build }, ...pins];
}

function head(about, column, now) {
  if (column.label === "now") return el("th", { scope: "col", class: "n" }, "on the sliders");
  const button = (words, action) => el("button", { type: "button", class: "quiet", on: { click: action } }, words, el("span", { class: "spoken" }, ` ${column.label}`));
  return el("th", { scope: "col", class: "n" }, el("span", { class: "badge small" }, column.label), " ", column.name, el("span", { class: "acts" },
    button("put on the sliders", () => put(column.setting)), button("save", () => save(column.setting)), button("remove", () => remove(about, column, now))));
}

function cell(name, column, reference, unit) {
  const [own, other] = [column.figures[name], reference.figures[name]];
  if (!own || own.failed) return el("td", { class: "n", title: own ? own.failed : null }, own ? "none" : "…");
  const value = number(own.value, digitsOf(own));
  const mark = own.stale ? " stale" : own.basis === "emulator" ? " emulator" : "";
  const parts = [value, mark ? el("span", { class: "note" }, mark) : null];
  if (column !== reference && other && !other.failed) {
    const step = own.value - other.value;
    const beyond = Math.abs(step) > Math.max(own.between, other.between);
    parts.push(el("span", { class: beyond ? "step beyond" : "step same" }, beyond ? signed(step, digitsOf(own)) : "≈"));
  }
  return el("td", { class: "n", "data-figure": name }, ...parts);
}

function layerRows(about, all) {
  const picks = [
    ["across, mm", (build, i) => plain(build.diameters_mm[i])],
    ["E, MPa", (build, i) => plain(build.moduli_mpa[i])],
    ["g/cm³", (build, i) => build.densities_g_cm3[i].toFixed(3)],
  ];
  return about.layers.flatMap((layer, i) => picks.map(([what, pick]) =>
    el("tr", null, el("th", { scope: "row" }, `${layer.role}: ${what}`), ...all.map((column) => el("td", { class: "n" }, pick(column.build, i))))));
}

export function drawPins(about, now) {
  for (const pin of pins) pin.latest = now;
  const place = byId("comparison");
  byId("pins-note").hidden = pins.length > 0;
  if (!pins.length || !now) { place.replaceChildren(); return; }
  const all = columns(now);
  const reference = all.find((column) => column.label === base) || all[0];
  const choice = el("select", { id: "base", on: { change: (event) => { base = event.target.value; drawPins(about, now); byId("base").focus(); } } },
    ...all.map((column) => el("option", { value: column.label, selected: column === reference }, column.label === "now" ? "the sliders" : column.label)));
  const group = (words) => el("tr", { class: "group" }, el("th", { colspan: all.length + 1, scope: "colgroup" }, words));
  const figures = about.figures.map((figure) => el("tr", null, el("th", { scope: "row" }, figure.unit ? `${figure.whole}, ${figure.unit}` : figure.whole), ...all.map((column) => cell(figure.name, column, reference))));
  place.replaceChildren(
    el("p", { class: "controls" }, el("label", { for: "base" }, "Differences from"), choice, el("span", { class: "note" }, "Bold: beyond what the model resolves between builds. ≈: less than that.")),
    scrolling("Comparison", el("table", null, el("caption", { class: "spoken" }, "Pinned builds beside the one on the sliders"),
      el("thead", null, el("tr", null, el("td", null), ...all.map((column) => head(about, column, now)))),
      el("tbody", null, group("Figures"), ...figures, group("Layers"), ...layerRows(about, all)))));
}
