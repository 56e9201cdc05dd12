// What the run decides, in sentences; letters of the short list link to their cards.

import { byId, el } from "../../web/elements.js";
import { data } from "./base.js";
import { glance } from "./glance.js";

const labels = new Set(data.members.map((member) => member.label));

function linked(words) {
  return words.split(/\b([A-Z])\b(?! ball)/).map((part) =>
    (labels.has(part) ? el("a", { class: "badge small", href: `#card-${part}` }, part) : part));
}

export function drawVerdicts() {
  const boxes = data.verdicts.map(({ title, sentences }) => el("div", { class: "verdict" },
    el("h3", null, title), sentences.length > 1 ? el("ul", null, ...sentences.map((words) => el("li", null, ...linked(words)))) : el("p", null, ...linked(sentences[0]))));
  byId("verdicts").replaceChildren(el("h2", { class: "spoken" }, "Verdicts"), ...[boxes[0], glance(), ...boxes.slice(1)].filter(Boolean));
}
