// The sliders: a set of controls for each layer; each value has a slider and a field.

import { byId, el } from "./elements.js";
import { plain } from "./numbers.js";
import { factorOf, shownAs, unitOf } from "./units.js";

const WORDS = {
  outer_diameter_mm: "diameter",
  thickness_mm: "thickness",
  youngs_modulus_mpa: "Young's modulus",
  surface_over_centre: "surface over centre",
  density_g_cm3: "density",
};

const sliders = []; // of the server's, with their elements and present value
const pickers = []; // of each layer: the select of its card
let dimples = null; // the select of the dimple pattern, where there are several
let heldMass = null;
let fill = null;
let changed = () => {};
let dressMass = () => {};

// The position nearest to a value: each arrow key goes on to another.
function nearest({ positions }, value) {
  let best = 0;
  positions.forEach((position, k) => { if (Math.abs(position - value) < Math.abs(positions[best] - value)) best = k; });
  return best;
}

// A slider's value in the unit shown; a field has as many digits as it is wide.
const factor = (slider) => factorOf(slider.unit_printed);
const told = (slider, value) => plain(value * factor(slider));
const withUnit = (slider, value) => `${told(slider, value)} ${unitOf(slider.unit_printed)}`;
const inField = (slider, value) => String(parseFloat((factor(slider) === 1 ? value : Number((value * factor(slider)).toPrecision(5))).toFixed(4)));

// What can be made: whole increments of the scenario, within its range.
function makeable(slider, value) {
  const within = value >= slider.low && value <= slider.high;
  return slider.whole && within && value !== slider.start ? slider.positions[nearest(slider, value)] : value;
}

function show(slider, value) {
  slider.value = value;
  slider.range.value = nearest(slider, value);
  slider.range.setAttribute("aria-valuetext", withUnit(slider, value));
  if (document.activeElement !== slider.field) slider.field.value = inField(slider, value);
  showMessage(slider, "");
}

function showMessage(slider, words) {
  slider.message.textContent = words;
  slider.message.hidden = !words;
  if (words) slider.field.setAttribute("aria-invalid", "true");
  else slider.field.removeAttribute("aria-invalid");
}

function showNote(slider, words) {
  slider.message.textContent = words;
  slider.message.hidden = false;
}

function typed(slider) {
  const value = slider.field.valueAsNumber / factor(slider);
  if (!(value >= slider.min && value <= slider.max)) {
    showMessage(slider, `from ${told(slider, slider.min)} to ${withUnit(slider, slider.max)}`);
    return;
  }
  const made = makeable(slider, value);
  show(slider, made);
  if (made !== value) showNote(slider, `${withUnit(slider, made)} is the nearest of the scenario's increments of ${withUnit(slider, slider.increment)}`);
  changed();
}

// Up and down in a field: the slider's next position.
function stepped(slider, event) {
  const way = { ArrowUp: 1, ArrowDown: -1 }[event.key];
  if (!way) return;
  event.preventDefault();
  const ahead = slider.positions.filter((position) => way * (position - slider.value) > 1e-9);
  if (!ahead.length) return;
  const value = way > 0 ? ahead[0] : ahead[ahead.length - 1];
  show(slider, value);
  slider.field.value = inField(slider, value);
  changed();
}

function fit(slider) {
  slider.range.max = slider.positions.length - 1;
}

// Give a field the unit shown: its limits, its name and the sign behind it.
function dress(slider) {
  slider.field.min = inField(slider, slider.min);
  slider.field.max = inField(slider, slider.max);
  const unit = unitOf(slider.unit_printed);
  slider.field.setAttribute("aria-label", `${slider.whose}: ${WORDS[slider.what]}${unit && ` in ${unit}`}`);
  if (slider.value !== undefined) slider.field.value = inField(slider, slider.value);
  slider.sign.textContent = unit;
}

function control(slider, whose) {
  const id = `slider-${slider.layer}-${slider.what}`;
  const words = WORDS[slider.what];
  slider.range = el("input", { type: "range", id, min: 0, step: 1, "aria-label": `${whose}: ${words}` });
  slider.field = el("input", { type: "number", step: "any", "aria-describedby": `${id}-message` });
  slider.whose = whose;
  slider.sign = el("span", { class: "unit", "aria-hidden": "true" });
  fit(slider);
  dress(slider);
  slider.message = el("p", { id: `${id}-message`, class: "message", hidden: true });
  slider.range.addEventListener("input", () => { show(slider, slider.positions[Number(slider.range.value)]); changed(); });
  slider.field.addEventListener("input", () => typed(slider));
  slider.field.addEventListener("keydown", (event) => stepped(slider, event));
  slider.field.addEventListener("blur", () => show(slider, slider.value));
  return el("div", { class: "slider" }, el("label", { for: id }, words), slider.range, slider.field, slider.sign, slider.message);
}

// The card of a layer's material; the sliders of modulus and density follow it.
function picker(about, i, swap) {
  const row = about.layers[i];
  const { wanted } = row;
  const option = (name) => el("option", { value: name }, name);
  const group = (label, names) => (names.length ? el("optgroup", { label }, ...names.map(option)) : null);
  const others = row.cards.filter((name) => !wanted.includes(name));
  const choice = el("select", { id: `material-${i + 1}` }, ...(wanted.length ? [group("in the scenario", wanted), group("other cards", others)] : others.map(option)));
  choice.value = about.start.layer[i].material;
  choice.addEventListener("change", swap);
  pickers[i] = choice;
  return el("p", { class: "material" }, el("label", { for: choice.id }, "material"), choice);
}

// The dimple pattern that builds fly by; nothing where the conditions list none.
function patternPicker(about) {
  if (!about.patterns.length) return null;
  dimples = el("select", { id: "pattern" }, ...about.patterns.map((name) => el("option", { value: name }, name)));
  dimples.value = about.start.dimple_pattern;
  dimples.addEventListener("change", () => changed());
  return el("p", { class: "material" }, el("label", { for: "pattern" }, "dimple pattern"), dimples);
}

const materials = () => pickers.map((choice) => choice.value);

// Give the sliders the ranges of other materials; a layer whose range changes takes the card's own value.
function takeRanges(fresh) {
  for (const slider of sliders) {
    const next = fresh.find((one) => one.layer === slider.layer && one.what === slider.what);
    const moves = next.low !== slider.low || next.high !== slider.high;
    Object.assign(slider, next);
    fit(slider);
    show(slider, moves ? next.start : slider.value);
  }
}

// Ask for the sliders of the chosen materials; the latest choice wins.
let asked = 0;
async function swapped(panel, report) {
  const mine = (asked += 1);
  try {
    const { sliders: fresh } = await panel({ material: materials() });
    if (mine !== asked) return false;
    takeRanges(fresh);
  } catch (error) { report(error.message); return false; }
  return true;
}

function massControl(about) {
  const box = el("input", { type: "checkbox", id: "hold" });
  const grams = el("input", { type: "number", step: "any" });
  const sign = el("span");
  let mass = about.fill ? about.fill.mass_g : 45.9;
  const layer = el("select", { "aria-label": "layer whose filler density holds the mass" });
  about.layers.forEach((row, i) => layer.append(el("option", { value: i + 1 }, row.role)));
  layer.value = about.fill ? about.fill.layer : Math.max(1, about.layers.length - 2);
  box.checked = Boolean(about.fill);
  const moved = () => {
    heldMass = box.checked && mass >= 10 && mass <= 100 ? { layer: Number(layer.value), mass_g: mass } : null;
    for (const slider of sliders) {
      const held = Boolean(heldMass) && slider.layer === heldMass.layer && slider.what === "density_g_cm3";
      slider.range.disabled = slider.field.disabled = held;
    }
    changed();
  };
  dressMass = () => {
    const [unit, times] = shownAs("g");
    grams.value = inField({ unit_printed: "g" }, mass);
    [grams.min, grams.max] = [10 * times, 100 * times];
    grams.setAttribute("aria-label", `mass to hold, ${unit}`);
    sign.textContent = ` ${unit} by filler in the `;
  };
  dressMass();
  grams.addEventListener("input", () => { mass = grams.valueAsNumber / factorOf("g"); });
  for (const part of [box, grams, layer]) part.addEventListener("input", moved);
  moved();
  return el("div", { class: "hold" }, el("p", null, box, " ", el("label", { for: "hold" }, "Hold the mass at"), " ", grams, sign, layer), el("p", { class: "note", id: "filler" }));
}

// Draw all controls; `whenChanged` is called on every move.
export function drawSliders(about, whenChanged, panel, report) {
  const place = byId("sliders");
  sliders.push(...about.sliders);
  fill = about.fill;
  const swap = async () => { if (await swapped(panel, report)) changed(); };
  const ball = sliders.filter((slider) => slider.layer === 0).map((slider) => control(slider, "ball"));
  const sets = about.layers.map((row, i) => {
    const own = sliders.filter((slider) => slider.layer === i + 1).map((slider) => control(slider, row.role));
    const size = el("p", { class: "note", id: `size-${i}` });
    return el("fieldset", { class: "layer" }, el("legend", null, el("span", { class: "swatch", id: `swatch-${i}` }), row.role), picker(about, i, swap), ...own, size);
  });
  for (const slider of sliders) show(slider, slider.start);
  // Outside first, as the cut is read.
  place.append(el("fieldset", { class: "layer" }, el("legend", null, "ball"), ...ball, patternPicker(about), massControl(about)), ...sets.reverse());
  changed = whenChanged;
}

// Show all values in the units chosen.
export function dressSliders() {
  for (const slider of sliders) {
    dress(slider);
    show(slider, slider.value);
  }
  dressMass();
}

// The values of all sliders, as the server reads them.
export function setting() {
  const layer = [];
  let diameter = 0;
  for (const slider of sliders) {
    if (slider.layer === 0) diameter = slider.value;
    else (layer[slider.layer - 1] ||= { material: pickers[slider.layer - 1].value })[slider.what] = slider.value;
  }
  return { outer_diameter_mm: diameter, layer, dimple_pattern: dimples ? dimples.value : null, hold_mass: heldMass };
}

// Move the sliders to a setting, in its materials.
export async function put(wanted, panel, report) {
  wanted.layer.forEach((row, i) => { pickers[i].value = row.material; });
  if (!(await swapped(panel, report))) return;
  if (dimples) dimples.value = wanted.dimple_pattern;
  for (const slider of sliders) show(slider, slider.layer === 0 ? wanted.outer_diameter_mm : wanted.layer[slider.layer - 1][slider.what]);
  changed();
}

// Show the density that holds the mass, as the server computed it, and whether filler reaches it.
export function putHeld(wanted) {
  const place = byId("filler");
  place.hidden = !heldMass;
  if (!heldMass) return;
  const slider = sliders.find((one) => one.layer === heldMass.layer && one.what === "density_g_cm3");
  const density = wanted.layer[heldMass.layer - 1].density_g_cm3;
  show(slider, density);
  const own = fill && fill.layer === heldMass.layer;
  const [low, high] = own ? fill.density_g_cm3 : [slider.min, slider.max];
  const beyond = density < low - 1e-9 || density > high + 1e-9;
  place.className = beyond ? "warn" : "note";
  place.textContent = `Filler ${density.toFixed(3)} g/cm³; ${own ? "the scenario's" : "a card's"} range is ${plain(low)} to ${plain(high)} g/cm³${beyond ? ": ✗ outside" : ""}.`;
}
