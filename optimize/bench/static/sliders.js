// The sliders: a set of controls for each layer; each value has a slider and a field.

import { byId, el } from "./elements.js";
import { plain } from "./numbers.js";

const STEPS = 200;
const WORDS = {
  outer_diameter_mm: "diameter",
  thickness_mm: "thickness",
  youngs_modulus_mpa: "Young's modulus",
  density_g_cm3: "density",
};
const RESOLUTION = { outer_diameter_mm: 0.01, thickness_mm: 0.01, density_g_cm3: 0.001 };

const sliders = [];
let heldMass = null;
let changed = () => {};

function rounded(slider, value) {
  if (slider.what === "youngs_modulus_mpa") return parseFloat(value.toPrecision(3));
  return parseFloat((Math.round(value / RESOLUTION[slider.what]) * RESOLUTION[slider.what]).toFixed(4));
}

function valueAt(slider, step) {
  const fraction = step / STEPS;
  const value = slider.logarithmic ? slider.low * (slider.high / slider.low) ** fraction : slider.low + fraction * (slider.high - slider.low);
  return Math.min(slider.max, Math.max(slider.min, rounded(slider, value)));
}

function stepOf(slider, value) {
  const fraction = slider.logarithmic ? Math.log(value / slider.low) / Math.log(slider.high / slider.low) : (value - slider.low) / (slider.high - slider.low);
  return Math.round(Math.min(1, Math.max(0, fraction)) * STEPS);
}

function show(slider, value) {
  slider.value = value;
  slider.range.value = stepOf(slider, value);
  slider.range.setAttribute("aria-valuetext", `${plain(value)} ${slider.unit_printed}`);
  if (document.activeElement !== slider.field) slider.field.value = String(parseFloat(value.toFixed(4)));
  showMessage(slider, "");
}

function showMessage(slider, words) {
  slider.message.textContent = words;
  slider.message.hidden = !words;
  if (words) slider.field.setAttribute("aria-invalid", "true");
  else slider.field.removeAttribute("aria-invalid");
}

function typed(slider) {
  const value = slider.field.valueAsNumber;
  if (!(value >= slider.min && value <= slider.max)) {
    showMessage(slider, `from ${plain(slider.min)} to ${plain(slider.max)} ${slider.unit_printed}`);
    return;
  }
  show(slider, value);
  changed();
}

function control(slider, whose) {
  const id = `slider-${slider.layer}-${slider.what}`;
  const words = WORDS[slider.what];
  slider.range = el("input", { type: "range", id, min: 0, max: STEPS, step: 1, "aria-label": `${whose}: ${words}` });
  slider.field = el("input", { type: "number", step: "any", min: slider.min, max: slider.max, "aria-label": `${whose}: ${words} in ${slider.unit_printed}`, "aria-describedby": `${id}-message` });
  slider.message = el("p", { id: `${id}-message`, class: "message", hidden: true });
  slider.range.addEventListener("input", () => { show(slider, valueAt(slider, Number(slider.range.value))); changed(); });
  slider.field.addEventListener("input", () => typed(slider));
  slider.field.addEventListener("blur", () => show(slider, slider.value));
  return el("div", { class: "slider" }, el("label", { for: id }, words), slider.range, slider.field, el("span", { class: "unit", "aria-hidden": "true" }, slider.unit_printed), slider.message);
}

function massControl(about) {
  const box = el("input", { type: "checkbox", id: "hold" });
  const grams = el("input", { type: "number", step: "any", min: 10, max: 100, value: about.fill ? about.fill.mass_g : 45.9, "aria-label": "mass to hold, g" });
  const layer = el("select", { "aria-label": "layer whose filler density holds the mass" });
  about.layers.forEach((row, i) => layer.append(el("option", { value: i + 1 }, row.role)));
  layer.value = about.fill ? about.fill.layer : Math.max(1, about.layers.length - 2);
  box.checked = Boolean(about.fill);
  const moved = () => {
    const value = grams.valueAsNumber;
    heldMass = box.checked && value >= 10 && value <= 100 ? { layer: Number(layer.value), mass_g: value } : null;
    for (const slider of sliders) {
      const held = Boolean(heldMass) && slider.layer === heldMass.layer && slider.what === "density_g_cm3";
      slider.range.disabled = slider.field.disabled = held;
    }
    changed();
  };
  for (const part of [box, grams, layer]) part.addEventListener("input", moved);
  moved();
  return el("p", { class: "hold" }, box, " ", el("label", { for: "hold" }, "Hold the mass at"), " ", grams, " g by filler in the ", layer);
}

// Draw all controls; `whenChanged` is called on every move.
export function drawSliders(about, whenChanged) {
  const place = byId("sliders");
  sliders.push(...about.sliders);
  const ball = sliders.filter((slider) => slider.layer === 0).map((slider) => control(slider, "ball"));
  const sets = about.layers.map((row, i) => {
    const own = sliders.filter((slider) => slider.layer === i + 1).map((slider) => control(slider, row.role));
    const size = el("p", { class: "note", id: `size-${i}` });
    return el("fieldset", { class: "layer" }, el("legend", null, el("span", { class: "swatch", id: `swatch-${i}` }), row.role, el("span", { class: "note" }, ` ${row.material}`)), ...own, size);
  });
  for (const slider of sliders) show(slider, slider.start);
  // Outside first, as the cut is read.
  place.append(el("fieldset", { class: "layer" }, el("legend", null, "ball"), ...ball, massControl(about)), ...sets.reverse());
  changed = whenChanged;
}

// The values of all sliders, as the server reads them.
export function setting() {
  const layer = [];
  let diameter = 0;
  for (const slider of sliders) {
    if (slider.layer === 0) diameter = slider.value;
    else (layer[slider.layer - 1] ||= {})[slider.what] = slider.value;
  }
  return { outer_diameter_mm: diameter, layer, hold_mass: heldMass };
}

// Move the sliders to a setting; `quietly` where the server computed it.
export function put(wanted, quietly) {
  for (const slider of sliders) show(slider, slider.layer === 0 ? wanted.outer_diameter_mm : wanted.layer[slider.layer - 1][slider.what]);
  if (!quietly) changed();
}

// Show the density that holds the mass, as the server computed it.
export function putHeld(wanted) {
  if (!heldMass) return;
  const slider = sliders.find((one) => one.layer === heldMass.layer && one.what === "density_g_cm3");
  show(slider, wanted.layer[heldMass.layer - 1].density_g_cm3);
}
