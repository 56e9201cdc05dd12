// Notes and decisions on the short list: kept by this browser, exported as a file; those recorded
// in the ledger are shown.

import { el } from "../../web/elements.js";
import { data, speak } from "./base.js";
import { fileName, saveText } from "./tables.js";

const DECISIONS = [["", "none yet"], ["chosen", "chosen"], ["rejected", "rejected"], ["parked", "parked"]];
const KEY = `orbwright notes ${data.run}`;

// A browser may refuse to keep anything, for a file from disk in particular.
function kept() {
  try {
    const found = JSON.parse(localStorage.getItem(KEY) || "{}");
    return found && typeof found === "object" ? found : {};
  } catch {
    return {};
  }
}

const state = { who: "", builds: {}, ...kept() };

function keep() {
  try {
    localStorage.setItem(KEY, JSON.stringify(state));
  } catch {
    speak("This browser does not keep notes: export them before you close the page.");
  }
}

function change(member, field, value) {
  state.builds[member.key] = { ...state.builds[member.key], [field]: value, moment: new Date().toISOString() };
  keep();
}

const recordedOf = (member) => data.decisions.filter((event) => event.build === member.key);
const said = (event) => `${event.what} by ${event.who}, ${event.when} UTC${event.text ? `: ${event.text}` : ""}${event.file ? ` (${event.file})` : ""}`;

export function noteOf(member) {
  const own = state.builds[member.key] || {};
  const id = `note-${member.label}`;
  const text = el("textarea", { id, rows: 2, maxlength: 2000, placeholder: "Why?" });
  text.value = typeof own.text === "string" ? own.text : "";
  text.addEventListener("input", () => change(member, "text", text.value));
  const select = el("select", { id: `${id}-decision` }, ...DECISIONS.map(([value, words]) => el("option", { value, selected: own.decision === value }, words)));
  select.addEventListener("change", () => change(member, "decision", select.value));
  const recorded = recordedOf(member);
  return el("div", { class: "decision" },
    recorded.length ? el("ul", { class: "recorded", "aria-label": `Recorded decisions on build ${member.label}` }, ...recorded.map((event) => el("li", null, said(event)))) : null,
    el("label", { for: `${id}-decision` }, "Decision", el("span", { class: "spoken" }, ` on build ${member.label}`), select),
    el("label", { for: id, class: "why" }, el("span", null, "Note", el("span", { class: "spoken" }, ` on build ${member.label}`)), text));
}

// One event a decision and one a note, as the command line reads them.
export function events() {
  return data.members.flatMap((member) => {
    const { decision, text, moment } = state.builds[member.key] || {};
    const line = (text || "").replace(/\s+/g, " ").trim();
    if (!decision && !line) return [];
    return [{ kind: decision || "note", run: data.run, build: member.key, label: member.label, who: state.who, text: line, moment }];
  });
}

// What the ledger has of the run itself and of builds that are not on the short list.
function otherDecisions() {
  const keys = new Set(data.members.map((member) => member.key));
  const others = data.decisions.filter((event) => !keys.has(event.build));
  if (!others.length) return null;
  return el("ul", { class: "recorded", "aria-label": "Other recorded decisions and notes" }, ...others.map((event) => el("li", null, `${event.build ? `Build ${event.label}: ` : ""}${said(event)}`)));
}

export function exportField() {
  const who = el("input", { type: "text", id: "who", maxlength: 120, autocomplete: "name", size: 14 });
  who.value = state.who;
  who.addEventListener("input", () => { state.who = who.value.trim(); keep(); });
  const button = el("button", { type: "button", id: "export-notes", on: { click: () => {
    const found = events();
    if (!found.length) speak("No decision or note is written yet.");
    else saveText(`${JSON.stringify({ format: "orbwright notes", run: data.run, events: found }, null, 1)}\n`, fileName("notes", "json"));
  } } }, "Export notes");
  const words = "Decisions and notes stay in this browser; \u2018orbwright decisions --add\u2019 takes the exported file into the ledger.";
  return el("div", null, el("div", { class: "controls" }, el("label", null, "Your name", who), button, el("span", { class: "note" }, words)), otherDecisions());
}
