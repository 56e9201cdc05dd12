// A look into an impact of the build on the sliders: computed on request, cancelled or stale by the next move.

import { byId, el, scrolling } from "./elements.js";
import { balance, deformed, energyTable, IMPACT_NOTE } from "./impact.js";
import { inUnit, shownAs } from "./units.js";
import * as requests from "./requests.js";

const TICK_MS = 200;
let stop = null; // of the running request
let ticking = 0;
let seen = null; // name, impact, stale

const say = (words) => { byId("impact-words").textContent = words; };

function finish() {
  clearInterval(ticking);
  byId("impact-progress").hidden = true;
  stop = null;
}

export function drawImpact() {
  const place = byId("impact-view");
  if (!seen) return;
  const { name, impact, stale } = seen;
  const whole = impact.failed ? [el("p", { class: "note" }, `Not computed: ${impact.failed}`)]
    : [deformed(impact, name), el("div", null, scrolling("Energy by layer", energyTable(impact, ...shownAs("m/s"))), balance(impact, inUnit(impact.contact_mm2, "mm\u00b2", 0)), el("p", { class: "note" }, IMPACT_NOTE))];
  const head = el("h3", null, impact.failed ? name : `${name}: ${impact.words}`, stale ? el("span", { class: "note" }, " stale: of an earlier build") : null);
  place.replaceChildren(head, el("div", { class: "seen" }, ...whole));
  place.classList.toggle("stale", stale);
}

// The sliders have moved: what is being computed is no longer wanted, what is shown is of an earlier build.
export function staleImpact() {
  if (stop) {
    stop.abort();
    finish();
    say("Cancelled, since the build has changed.");
  }
  if (seen && !seen.stale) { seen.stale = true; drawImpact(); }
}

async function see(setting, speak, report) {
  if (stop) stop.abort();
  clearInterval(ticking);
  const mine = new AbortController();
  stop = mine;
  const begun = performance.now();
  let doing = "Waiting for the test that is running";
  const tick = () => say(`${doing}: ${((performance.now() - begun) / 1000).toFixed(1)} s`);
  ticking = setInterval(tick, TICK_MS);
  byId("impact-progress").hidden = false;
  tick();
  try {
    await requests.impact(setting, byId("impact-kind").value, mine.signal, (news) => {
      if (news.begun) doing = "Computing the impact";
      if (news.notice) report(news.notice);
      if (!news.impact || mine.signal.aborted) return;
      seen = { name: setting.name, impact: news.impact, stale: false };
      drawImpact();
      finish();
      say(`Computed in ${((performance.now() - begun) / 1000).toFixed(1)} s.`);
      speak("The impact is computed.");
    });
  } catch (error) {
    if (error.name === "AbortError") return;
    report(error.message);
  }
  if (stop === mine) { finish(); say(""); }
}

export function prepareImpact(about, wanted, speak, report) {
  byId("impact-kind").append(...about.impacts.map((kind) => el("option", { value: kind }, kind)));
  byId("see").addEventListener("click", () => see(wanted(), speak, report));
}
