// The emulator: how many builds it is trained on, and how often its intervals cover finite elements.

import { byId, el, scrolling } from "./elements.js";
import { number } from "./numbers.js";

function sentences({ ready, trainer }) {
  const parts = [];
  if (!ready) parts.push("The computing process is starting; after installation it first compiles its code, which takes about half a minute.");
  if (trainer.fitted_on) parts.push(`The emulator is fitted to ${trainer.fitted_on} computed builds over the sliders' ranges.`);
  if (trainer.trouble) parts.push(trainer.trouble.replace(/[.]?$/, "."));
  if (!trainer.done) parts.push(`${trainer.computed} of ${trainer.wanted} training builds are computed.`);
  if (trainer.fitted_on) parts.push(`The width of its intervals is set by its errors at ${trainer.checked} of ${trainer.to_check} check builds, which it is not fitted to.`);
  if (trainer.checks) parts.push(`On the builds that you moved to, its 95 % intervals cover the finite-element value of ${trainer.covered} of ${trainer.checks} figures.`);
  return parts.join(" ");
}

function row(figure, score) {
  const cells = [score.checks, score.covered, `${number(score.mean_error_percent, score.mean_error_percent / 9)} %`];
  return el("tr", null, el("th", { scope: "row" }, figure.whole), ...cells.map((cell) => el("td", { class: "n" }, String(cell))));
}

export function showEmulator(about, state) {
  byId("emulator-words").textContent = sentences(state);
  const place = byId("scores");
  const scores = Object.entries(state.trainer.scores);
  if (!scores.length) { place.replaceChildren(); return; }
  const rows = scores.map(([name, score]) => row(about.figures.find((one) => one.name === name), score));
  const heads = ["figure", "checks", "covered", "mean error"].map((word, i) => el("th", { scope: "col", class: i ? "n" : null }, word));
  const open = Boolean(place.querySelector("details[open]"));
  place.replaceChildren(el("details", { open }, el("summary", null, "By figure"), scrolling("Coverage of the emulator's intervals",
    el("table", null, el("caption", { class: "spoken" }, "Coverage of the emulator's 95 % intervals"), el("thead", null, el("tr", null, ...heads)), el("tbody", null, ...rows)))));
}
