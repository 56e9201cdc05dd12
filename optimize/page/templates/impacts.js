// The short list in an impact: the deformed section, shaded by shear strain, and the energy by layer.

import { el } from "../../web/elements.js";
import { balance, deformed, energyTable, IMPACT_NOTE } from "../../web/impact.js";
import { data, section, slow, view } from "./base.js";
import { pictureButton } from "./pictures.js";
import { spreadsheet } from "./tables.js";
import { inUnit, unitOf } from "./units.js";

function shown(impact) {
  const picture = deformed(impact, `build ${impact.label}`);
  const copy = pictureButton(() => [picture], `impact of build ${impact.label}`, 4);
  return [picture, el("p", { class: "tools no-print" }, copy), spreadsheet(`Energy of build ${impact.label}`, energyTable(impact, unitOf("m/s"))), balance(impact, inUnit(impact.contact_mm2, "mm\u00b2", 0))];
}

export function drawImpacts() {
  if (!data.impacts || !data.impacts.length) return;
  const items = data.impacts.map((impact) => el("article", { "aria-label": `Impact of build ${impact.label}` },
    el("h3", null, impact.failed ? `Build ${impact.label}` : `Build ${impact.label}: ${impact.words}`),
    ...(impact.failed ? [el("p", { class: "note" }, impact.failed)] : shown(impact))));
  section("impacts", "In the impact", el("p", { class: "note" }, IMPACT_NOTE), el("div", { class: "impacts" }, ...items));
  slow.push(() => data.members.forEach((member) => {
    const k = data.impacts.findIndex((impact) => impact.label === member.label);
    if (k >= 0) items[k].hidden = !view.left[member.build] && !view.pins.has(member.build);
  }));
}
