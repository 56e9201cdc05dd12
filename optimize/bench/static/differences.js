// Differences of builds from a reference, each with its error, as the server computes them.

import { el } from "./elements.js";
import { number, plain, signed } from "./numbers.js";
import * as requests from "./requests.js";

const NONE = "no difference the model can tell";
let told = new Map(); // by the two builds compared
let next = null; // what is to be asked once the open request is answered
let asking = false;

const keyOf = (reference, other) => JSON.stringify([reference, other]);

// Ask for the differences of some settings; the latest request wins. `whenTold` draws them.
export async function askDifferences(reference, others, whenTold) {
  next = { reference, others, whenTold, left: 5 };
  if (asking) return;
  asking = true;
  while (next) {
    const one = next;
    next = null;
    try {
      const { differences } = await requests.differences({ reference: one.reference, others: one.others });
      told = new Map(differences.map((found, k) => [keyOf(one.reference, one.others[k]), found]));
      if (!next) one.whenTold();
    } catch { // a busy server is asked again; the requests of figures say what else is wrong
      told = new Map();
      await new Promise((done) => setTimeout(done, 500));
      if (!next && one.left) next = { ...one, left: one.left - 1 };
    }
  }
  asking = false;
}

// A difference beside a value: beyond its error bold, within it only roughly equal.
export function differenceOf(reference, other, name, ownDigits, factor) {
  const found = (told.get(keyOf(reference, other)) || {})[name];
  if (!found) return el("span", { class: "step" });
  const [value, error] = [found.value * factor, found.error * factor];
  const digits = error || ownDigits * factor;
  const half = error > 0 ? ` \u00b1\u00a0${plain(parseFloat(error.toPrecision(2)))}` : "";
  if (found.beyond && /[1-9]/.test(number(value, digits))) return el("b", { class: "step beyond" }, signed(value, digits), el("span", { class: "pm" }, half));
  return el("span", { class: "step same", title: NONE }, "\u2248", el("span", { class: "spoken" }, ` ${NONE},`), half);
}
