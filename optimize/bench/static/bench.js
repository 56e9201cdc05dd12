// The bench: a move on the sliders asks for figures at once, then for finite elements; the latest wins.

import { drawLimits, layTables, paintAll, showError, staleAll, take } from "./figures.js";
import { drawFlights } from "./flight.js";
import { byId, el, number } from "./making.js";
import { addPin, drawPins, preparePins } from "./pins.js";
import { drawCut } from "./section.js";
import { drawSliders, put, putHeld, setting } from "./sliders.js";
import * as talk from "./talk.js";
import { scrolling } from "./words.js";

const REST_MS = 40; // a slider that stands so long is taken to rest
const MARK_MS = 120; // figures that are renewed sooner need not flicker
const now = { move: 0, asking: false, build: null, setting: null, flights: {}, stop: null, resting: 0, marking: 0 };
let about = null;
let status = null;

const speak = (words) => { byId("live").textContent = words; };

function trouble(words) {
  const box = byId("trouble");
  box.hidden = !words;
  if (box.textContent !== words) box.textContent = words;
}

function progress(words) { byId("progress").textContent = words; }

const wanted = () => ({ name: byId("name").value.trim() || about.ball, ...setting() });

function moved() {
  now.move += 1;
  if (now.stop) now.stop.abort();
  clearTimeout(now.resting);
  staleAll();
  for (const flight of Object.values(now.flights)) flight.stale = true;
  clearTimeout(now.marking);
  now.marking = setTimeout(mark, MARK_MS);
  ask();
}

// Show which figures are still of an earlier build.
function mark() {
  paintAll();
  drawFlights(about, now.flights);
  drawLimits(about);
}

// One quick question is open at a time; once its figures are there, the newest place of the sliders
// follows, whether or not the flights are drawn yet.
async function ask() {
  if (now.asking) return;
  now.asking = true;
  for (let done = 0; done !== now.move;) {
    done = now.move;
    try {
      await figuresOf(done);
    } catch (error) {
      trouble(error.message);
      progress("No figures for this build.");
    }
  }
  now.asking = false;
}

// Resolves when the figures are on the page; the flights come by themselves.
function figuresOf(move) {
  const stop = new AbortController();
  return new Promise((resolve, reject) => {
    talk.quick(wanted(), stop.signal, (told) => {
      if (told.flights) {
        if (move === now.move) fly(told.flights);
        return;
      }
      trouble("");
      answer(told, move === now.move);
      if (move === now.move) now.resting = setTimeout(() => compute(move), REST_MS);
      else stop.abort();
      resolve();
    }).catch((error) => { if (error.name !== "AbortError") reject(error); });
  });
}

function fly(flights) {
  for (const [swing, flight] of Object.entries(flights)) if (!(now.flights[swing] && now.flights[swing].basis === "finite element" && !now.flights[swing].stale)) now.flights[swing] = flight;
  drawFlights(about, now.flights);
}

function answer(told, newest) {
  now.build = told.build;
  now.setting = { ...told.build.setting, hold_mass: null };
  putHeld(now.setting);
  take(told.figures);
  if (!newest) staleAll();
  drawCut(about, now.build);
  drawLimits(about);
  drawPins(about, now);
  tellState(told.state);
  const words = { speaks: "Emulator now, finite elements follow.", outside: "Outside the sliders' ranges: no emulator; finite elements follow.", learning: "Finite elements follow; the emulator is still learning." };
  progress(words[told.emulator]);
  if (newest) document.body.dataset.answered = String(now.move);
}

async function compute(move) {
  now.stop = new AbortController();
  const begun = performance.now();
  try {
    await talk.finite({ ...now.setting }, "bench", now.stop.signal, (news) => {
      if (move === now.move) took(news, begun);
    });
  } catch (error) {
    if (error.name !== "AbortError") trouble(error.message);
  }
}

function took(news, begun) {
  if (news.notice) { trouble(news.notice); return; }
  if (news.figures) {
    take(news.figures, news.failed);
    for (const [swing, flight] of Object.entries(news.flights)) now.flights[swing] = flight;
    if (Object.keys(news.flights).length) drawFlights(about, now.flights);
    drawLimits(about);
    drawPins(about, now);
  }
  if (news.end === "done") {
    progress(`Finite elements in ${((performance.now() - begun) / 1000).toFixed(1)} s.`);
    document.body.dataset.done = String(now.move);
    speak("Finite-element figures are in.");
    tellState(news.state);
  }
}

function tellState(told) {
  status = told;
  const { learner } = told;
  const words = [];
  if (!told.ready) words.push("The computing process is starting; on a fresh install it compiles its code first, about half a minute.");
  if (learner.fitted_on) words.push(`The emulator rests on ${learner.fitted_on} computed builds over the sliders' ranges.`);
  if (learner.trouble) words.push(learner.trouble.replace(/[.]?$/, "."));
  if (!learner.done) words.push(`Emulator: learning ${learner.learnt} of ${learner.wanted}.`);
  if (learner.checks) words.push(`Checked on builds that you moved to: finite elements fell within its 95 % band in ${learner.within} of ${learner.checks} figures.`);
  byId("trust-words").textContent = words.join(" ");
  const scores = Object.entries(learner.scores);
  if (!scores.length) { byId("scores").replaceChildren(); return; }
  const body = scores.map(([name, score]) => {
    const figure = about.figures.find((one) => one.name === name);
    return el("tr", null, el("th", { scope: "row" }, figure.whole), el("td", { class: "n" }, String(score.checks)), el("td", { class: "n" }, String(score.within)), el("td", { class: "n" }, `${number(score.typical_percent, score.typical_percent / 9)} %`));
  });
  const heads = ["figure", "checks", "within its band", "mean miss"].map((word, i) => el("th", { scope: "col", class: i ? "n" : null }, word));
  const open = Boolean(byId("scores").querySelector("details[open]"));
  byId("scores").replaceChildren(el("details", { open }, el("summary", null, "By figure"), scrolling("How the emulator's promises were kept", el("table", null, el("caption", { class: "spoken" }, "Checks of the emulator"), el("thead", null, el("tr", null, ...heads)), el("tbody", null, ...body)))));
}

async function watch() {
  const busy = !status || !status.ready || !status.learner.done;
  await new Promise((resume) => { setTimeout(resume, busy ? 2000 : 15000); });
  if (!document.hidden) {
    try { tellState(await talk.state()); } catch (error) { trouble(error.message); }
  }
  watch();
}

async function save(build) {
  const named = build || wanted();
  try {
    const address = URL.createObjectURL(await talk.toml(named));
    const link = el("a", { href: address, download: `${named.name.toLowerCase().replace(/[^a-z0-9]+/g, "_").replace(/^_+|_+$/g, "").slice(0, 60) || "build"}.toml` });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(address), 10000);
    speak("Saved as TOML.");
  } catch (error) { trouble(error.message); }
}

function theme() {
  const root = document.documentElement;
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const isDark = () => (root.dataset.theme ? root.dataset.theme === "dark" : dark.matches);
  const name = () => { byId("theme").textContent = isDark() ? "Light page" : "Dark page"; };
  byId("theme").addEventListener("click", () => { root.dataset.theme = isDark() ? "light" : "dark"; name(); });
  dark.addEventListener("change", name);
  name();
}

async function start() {
  theme();
  try { about = await talk.about(); } catch (error) { trouble(error.message); return; }
  document.title = `Live bench: ${about.ball}`;
  byId("title").textContent = about.ball;
  byId("summary").textContent = about.question || "Move a slider: the figures, the cut and the flights follow.";
  byId("limits-note").textContent = about.scenario ? `Limits of the scenario ${about.scenario}. A screen, not a ruling.` : "The present rules, as this version of the program has them. A screen, not a ruling.";
  byId("name").value = about.ball;
  layTables(about);
  drawSliders(about, moved);
  preparePins(about, speak, save);
  byId("pin").addEventListener("click", () => { if (now.build) addPin(about, { ...now, setting: { ...now.setting, name: wanted().name } }); });
  byId("save").addEventListener("click", () => save(null));
  byId("error").addEventListener("change", (event) => showError(event.target.value));
  byId("restart").addEventListener("click", () => put(about.start));
  moved();
  watch();
}

start();
