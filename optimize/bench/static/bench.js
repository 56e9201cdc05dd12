// The bench: each move of a slider requests figures at once, then finite elements; the latest build wins.

import { byId, el } from "./elements.js";
import { showEmulator } from "./emulator.js";
import { layTables, paintAll, showError, staleAll, take } from "./figures.js";
import { drawFlights } from "./flight.js";
import { drawImpact, prepareImpact, staleImpact } from "./impact_view.js";
import { drawLimits } from "./limits.js";
import { addPin, drawPins, preparePins, restorePins } from "./pins.js";
import { drawSection } from "./section.js";
import { dressSliders, drawSliders, put, putHeld, setting } from "./sliders.js";
import { prepareTheme } from "./theme.js";
import { chooseUnits, prepareUnits } from "./units.js";
import * as requests from "./requests.js";

const REST_MS = 40; // a slider that has not moved for so long is at rest
const MARK_MS = 120; // figures that are updated sooner need no mark
const now = { move: 0, requesting: false, build: null, setting: null, flights: {}, stop: null, resting: 0, marking: 0, restored: false };
let about = null;
let latestState = null;

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
  staleImpact();
  for (const flight of Object.values(now.flights)) flight.stale = true;
  clearTimeout(now.marking);
  now.marking = setTimeout(mark, MARK_MS);
  request();
}

// Show which figures are still of an earlier build.
function mark() {
  paintAll();
  drawFlights(about, now.flights);
  drawLimits(about);
}

// One quick request is open at a time; after its figures come those of the newest setting, whether or
// not the flights are drawn yet.
async function request() {
  if (now.requesting) return;
  now.requesting = true;
  for (let done = 0; done !== now.move;) {
    done = now.move;
    try {
      await figuresOf(done);
    } catch (error) {
      trouble(error.message);
      progress("No figures for this build.");
    }
  }
  now.requesting = false;
}

// Resolves when the figures are on the page; the flights come by themselves.
function figuresOf(move) {
  const stop = new AbortController();
  return new Promise((resolve, reject) => {
    requests.quick(wanted(), stop.signal, (answer) => {
      if (answer.flights) {
        if (move === now.move) showFlights(answer.flights);
        return;
      }
      trouble("");
      showAnswer(answer, move === now.move);
      if (move === now.move) now.resting = setTimeout(() => compute(move), REST_MS);
      else stop.abort();
      resolve();
    }).catch((error) => { if (error.name !== "AbortError") reject(error); });
  });
}

function showFlights(flights) {
  for (const [swing, flight] of Object.entries(flights)) if (!(now.flights[swing] && now.flights[swing].basis === "finite element" && !now.flights[swing].stale)) now.flights[swing] = flight;
  drawFlights(about, now.flights);
}

function showAnswer(answer, newest) {
  now.build = answer.build;
  now.setting = { ...answer.build.setting, hold_mass: null };
  putHeld(now.setting);
  take(answer.figures);
  if (!newest) staleAll();
  drawSection(about, now.build);
  drawLimits(about);
  drawPins(about, now);
  showState(answer.state);
  const words = {
    ready: "Emulator figures shown; finite elements follow.",
    outside: "Outside the sliders' ranges: no emulator; finite elements follow.",
    training: "Finite elements follow; the emulator is in training.",
  };
  progress(words[answer.emulator]);
  if (!now.restored) {
    now.restored = true;
    restorePins(about, now);
  }
  if (newest) document.body.dataset.answered = String(now.move);
}

async function compute(move) {
  now.stop = new AbortController();
  const begun = performance.now();
  try {
    await requests.finite({ ...now.setting }, "bench", now.stop.signal, (news) => {
      if (move === now.move) showNews(news, begun);
    });
  } catch (error) {
    if (error.name !== "AbortError") trouble(error.message);
  }
}

function showNews(news, begun) {
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
    speak("Finite-element figures are complete.");
    showState(news.state);
  }
}

function showState(state) {
  latestState = state;
  showEmulator(about, state);
}

async function watch() {
  const busy = !latestState || !latestState.ready || !latestState.trainer.done;
  await new Promise((resume) => { setTimeout(resume, busy ? 2000 : 15000); });
  if (!document.hidden) {
    try { showState(await requests.state()); } catch (error) { trouble(error.message); }
  }
  watch();
}

async function save(build) {
  const named = build || wanted();
  try {
    const address = URL.createObjectURL(await requests.toml(named));
    const link = el("a", { href: address, download: `${named.name.toLowerCase().replace(/[^a-z0-9]+/g, "_").replace(/^_+|_+$/g, "").slice(0, 60) || "build"}.toml` });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(address), 10000);
    speak("Saved as TOML.");
  } catch (error) { trouble(error.message); }
}

const load = (wantedSetting) => put(wantedSetting, requests.panel, trouble);

// Draw all that has a unit anew; nothing is computed.
function useUnits(system) {
  chooseUnits(system);
  dressSliders();
  mark();
  drawImpact();
  if (!now.build) return;
  drawSection(about, now.build);
  drawPins(about, now);
  putHeld(now.setting);
}

async function start() {
  prepareTheme();
  try { about = await requests.about(); } catch (error) { trouble(error.message); return; }
  document.title = `Live bench: ${about.ball}`;
  byId("title").textContent = about.ball;
  byId("summary").textContent = about.question || "Move a slider: figures, cross-section and flights follow.";
  byId("limits-note").textContent = about.scenario ? `Limits of the scenario ${about.scenario}. This screens a build; it is no ruling.` : "The present rules as of this version of the program. This screens a build; it is no ruling.";
  byId("name").value = about.ball;
  prepareUnits(about);
  layTables(about);
  drawSliders(about, moved, requests.panel, trouble);
  preparePins(about, speak, save, load);
  prepareImpact(about, wanted, speak, trouble);
  byId("pin").addEventListener("click", () => { if (now.build) addPin(about, { ...now, setting: { ...now.setting, name: wanted().name } }); });
  byId("save").addEventListener("click", () => save(null));
  byId("error").addEventListener("change", (event) => showError(event.target.value));
  byId("units").addEventListener("change", (event) => useUnits(event.target.value));
  byId("restart").addEventListener("click", () => load(about.start));
  moved();
  watch();
}

start();
