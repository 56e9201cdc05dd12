// Filters, compared builds, pins, reference and axes in the page's address, so that a link shows
// the same view. The address is what follows #: a place on the page, then &name=value.

import { byId } from "../../web/elements.js";
import { axisOf, count, data, filtersChanged, memberAt, onCompared, onPins, onReference, quick, recount, view } from "./base.js";
import { factorOf, useUnits } from "./units.js";

const nameOf = (i) => (memberAt.get(i) || { label: String(i + 1) }).label;
function buildOf(name) {
  const member = data.members.find((one) => one.label === name);
  if (member) return member.build;
  const i = Number(name) - 1;
  return Number.isInteger(i) && i >= 0 && i < count ? i : null;
}
const buildsOf = (text) => (text || "").split(".").map(buildOf).filter((i) => i !== null);

// Filters stand in metric units, so that an address means the same in either.
const endText = (value, id) => (Number.isFinite(value) ? value / factorOf(id) : "");
const filterText = ([id, filter]) => [id, filter.choices ? `c${[...filter.choices].join(".")}` : `${endText(filter.low, id)}~${endText(filter.high, id)}`].map(encodeURIComponent).join(":");

function filterOf(text) {
  const [id, rest] = text.split(":").map(decodeURIComponent);
  const axis = axisOf.get(id);
  if (!axis || !rest) return null;
  if (axis.choices) return rest.startsWith("c") ? [id, { choices: new Set(rest.slice(1).split(".").map(Number)) }] : null;
  const [low, high] = rest.split("~");
  const ends = { low: low ? Number(low) * factorOf(id) : -Infinity, high: high ? Number(high) * factorOf(id) : Infinity };
  return Number.isNaN(ends.low) || Number.isNaN(ends.high) ? null : [id, ends];
}

const placeNow = () => window.location.hash.slice(1).split("&")[0];
let start = "";

function stateText() {
  const parts = [];
  if (view.filters.size) parts.push(`filter=${[...view.filters].map(filterText).join(",")}`);
  parts.push(`compare=${view.compared.map(nameOf).join(".")}`);
  if (view.compared.length && view.baseline !== view.compared[0]) parts.push(`baseline=${nameOf(view.baseline)}`);
  if (view.pins.size) parts.push(`pin=${[...view.pins].map(nameOf).join(".")}`);
  if (view.units !== data.units.system) parts.push(`units=${view.units}`);
  parts.push(`reference=${view.reference === null ? "" : nameOf(view.reference)}`);
  return parts.join("&");
}

function write() {
  const state = stateText();
  const address = state === start && !window.location.hash.includes("&") ? placeNow() : `${placeNow()}&${state}`;
  if (window.location.hash.slice(1) !== address) window.history.replaceState(null, "", `#${address}`);
}

function read(redraw) {
  const [, ...parts] = window.location.hash.slice(1).split("&");
  const found = new Map(parts.map((part) => part.split("=")));
  if (!found.size) return;
  const units = found.get("units") || data.units.system;
  if (units !== view.units) {
    useUnits(units);
    redraw();
  }
  view.filters = new Map((found.get("filter") || "").split(",").filter(Boolean).map(filterOf).filter(Boolean));
  if (found.has("compare")) view.compared = buildsOf(found.get("compare")).slice(0, 4);
  const [baseline] = buildsOf(found.get("baseline"));
  view.baseline = view.compared.includes(baseline) ? baseline : view.compared.length ? view.compared[0] : null;
  view.pins = new Set(buildsOf(found.get("pin")));
  if (found.has("reference")) [view.reference = null] = buildsOf(found.get("reference")).filter((i) => memberAt.has(i));
  recount();
  [...onPins, ...onReference, ...onCompared].forEach((draw) => draw());
  filtersChanged();
}

export function followView() {
  for (const changes of [quick, onCompared, onPins, onReference]) changes.push(write);
}

// Called once the page is drawn: takes over what the address says, then keeps it in step.
// `redraw` draws all sections anew, in other units.
export function keepAddress(redraw) {
  start = stateText();
  try {
    read(redraw);
  } catch {
    // An address that somebody garbled shows the page as it is at first.
  }
  const place = byId(placeNow());
  if (place && window.location.hash.includes("&")) place.scrollIntoView();
  followView();
  window.addEventListener("hashchange", () => (window.location.hash.includes("&") ? read(redraw) : write()));
}
