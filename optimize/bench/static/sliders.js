// The sliders: one set of controls a layer, each number both as a slider and as a field.

import { byId, el, plain } from "./making.js";

const STEPS = 200;
const WORDS = {
  outer_diameter_mm: "diameter",
  thickness_mm: "thickness",
  youngs_modulus_mpa: "Young's modulus",
  density_g_cm3: "density",
};
const GRAIN = { outer_diameter_mm: 0.01, thickness_mm: 0.01, density_g_cm3: 0.001 };

const knobs = [];
let hold = null;
let changed = () => {};

function rounded(knob, value) {
  if (knob.what === "youngs_modulus_mpa") return parseFloat(value.toPrecision(3));
  return parseFloat((Math.round(value / GRAIN[knob.what]) * GRAIN[knob.what]).toFixed(4));
}

function valueAt(knob, step) {
  const share = step / STEPS;
  const value = knob.even_ratio ? knob.low * (knob.high / knob.low) ** share : knob.low + share * (knob.high - knob.low);
  return Math.min(knob.most, Math.max(knob.least, rounded(knob, value)));
}

function stepOf(knob, value) {
  const share = knob.even_ratio ? Math.log(value / knob.low) / Math.log(knob.high / knob.low) : (value - knob.low) / (knob.high - knob.low);
  return Math.round(Math.min(1, Math.max(0, share)) * STEPS);
}

function show(knob, value) {
  knob.value = value;
  knob.slider.value = stepOf(knob, value);
  knob.slider.setAttribute("aria-valuetext", `${plain(value)} ${knob.printed}`);
  if (document.activeElement !== knob.field) knob.field.value = String(parseFloat(value.toFixed(4)));
  complain(knob, "");
}

function complain(knob, words) {
  knob.says.textContent = words;
  knob.says.hidden = !words;
  if (words) knob.field.setAttribute("aria-invalid", "true");
  else knob.field.removeAttribute("aria-invalid");
}

function typed(knob) {
  const value = knob.field.valueAsNumber;
  if (!(value >= knob.least && value <= knob.most)) {
    complain(knob, `from ${plain(knob.least)} to ${plain(knob.most)} ${knob.printed}`);
    return;
  }
  show(knob, value);
  changed();
}

function control(knob, whose) {
  const id = `knob-${knob.layer}-${knob.what}`;
  const words = WORDS[knob.what];
  knob.slider = el("input", { type: "range", id, min: 0, max: STEPS, step: 1, "aria-label": `${whose}: ${words}` });
  knob.field = el("input", { type: "number", step: "any", min: knob.least, max: knob.most, "aria-label": `${whose}: ${words} in ${knob.printed}`, "aria-describedby": `${id}-says` });
  knob.says = el("p", { id: `${id}-says`, class: "says", hidden: true });
  knob.slider.addEventListener("input", () => { show(knob, valueAt(knob, Number(knob.slider.value))); changed(); });
  knob.field.addEventListener("input", () => typed(knob));
  knob.field.addEventListener("blur", () => show(knob, knob.value));
  return el("div", { class: "knob" }, el("label", { for: id }, words), knob.slider, knob.field, el("span", { class: "unit", "aria-hidden": "true" }, knob.printed), knob.says);
}

function holding(about) {
  const box = el("input", { type: "checkbox", id: "hold" });
  const grams = el("input", { type: "number", step: "any", min: 10, max: 100, value: about.fill ? about.fill.mass_g : 45.9, "aria-label": "mass to hold, g" });
  const layer = el("select", { "aria-label": "layer whose filler holds the mass" });
  about.layers.forEach((row, i) => layer.append(el("option", { value: i + 1 }, row.role)));
  layer.value = about.fill ? about.fill.layer : Math.max(1, about.layers.length - 2);
  box.checked = Boolean(about.fill);
  const moved = () => {
    const value = grams.valueAsNumber;
    hold = box.checked && value >= 10 && value <= 100 ? { layer: Number(layer.value), mass_g: value } : null;
    for (const knob of knobs) {
      const held = Boolean(hold) && knob.layer === hold.layer && knob.what === "density_g_cm3";
      knob.slider.disabled = knob.field.disabled = held;
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
  knobs.push(...about.knobs);
  const ball = knobs.filter((knob) => knob.layer === 0).map((knob) => control(knob, "ball"));
  const sets = about.layers.map((row, i) => {
    const own = knobs.filter((knob) => knob.layer === i + 1).map((knob) => control(knob, row.role));
    const size = el("p", { class: "note", id: `size-${i}` });
    return el("fieldset", { class: "layer" }, el("legend", null, el("span", { class: "swatch", id: `swatch-${i}` }), row.role, el("span", { class: "note" }, ` ${row.material}`)), ...own, size);
  });
  for (const knob of knobs) show(knob, knob.start);
  // Outside first, as the cut is read.
  place.append(el("fieldset", { class: "layer" }, el("legend", null, "ball"), ...ball, holding(about)), ...sets.reverse());
  changed = whenChanged;
}

// Where all sliders stand, as the command takes it.
export function setting() {
  const layer = [];
  let across = 0;
  for (const knob of knobs) {
    if (knob.layer === 0) across = knob.value;
    else (layer[knob.layer - 1] ||= {})[knob.what] = knob.value;
  }
  return { outer_diameter_mm: across, layer, hold_mass: hold };
}

// Put the sliders where a setting says; `quietly` for what the command worked out itself.
export function put(wanted, quietly) {
  for (const knob of knobs) show(knob, knob.layer === 0 ? wanted.outer_diameter_mm : wanted.layer[knob.layer - 1][knob.what]);
  if (!quietly) changed();
}

// The density that holds the mass, as the command worked it out.
export function putHeld(wanted) {
  if (!hold) return;
  const knob = knobs.find((one) => one.layer === hold.layer && one.what === "density_g_cm3");
  show(knob, wanted.layer[hold.layer - 1].density_g_cm3);
}
