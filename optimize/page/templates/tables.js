// Tables that scroll, and leave for a spreadsheet as tab-separated text.

import { el, scrolling } from "../../web/elements.js";
import { data, speak } from "./base.js";

const FORMULA = /^[=+@-](?!\d+(\.\d+)?$)/;

// One cell: on one line, a plain minus sign, never taken for a formula.
export function tsvCell(text) {
  const line = text.replace(/[\s\u00a0]+/g, " ").trim().replace(/\u2212/g, "-");
  return FORMULA.test(line) ? `'${line}` : line;
}

// A value with its difference from the reference fills three columns, as its head says by data-tsv.
function partsOf(one) {
  const step = one.querySelector(".step");
  if (step) return [one.firstChild.textContent, ...["step", "error"].map((what) => (step.firstChild ? step.firstChild.dataset[what] : ""))];
  return one.dataset.tsv !== undefined ? one.dataset.tsv.split("\t") : [one.innerText, ...Array(one.colSpan - 1).fill("")];
}

const textOf = (table) => [...table.rows].map((row) => [...row.children].flatMap(partsOf).map(tsvCell).join("\t")).join("\n");

// The scenario's name, shortened, then what the file is.
const slug = (words, most) => words.toLowerCase().replace(/[^a-z0-9]+/g, "_").replace(/^_+|_+$/g, "").slice(0, most);
export const fileName = (words, ending) => `${[slug(data.title, 32), slug(words, 60)].filter(Boolean).join("_")}.${ending}`;

export function save(blob, name) {
  const address = URL.createObjectURL(blob);
  const link = el("a", { href: address, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 10000);
  speak(`${name} is saved.`);
}

export const saveText = (text, name) => save(new Blob([text], { type: "text/plain;charset=utf-8" }), name);

// To the clipboard, or where the browser refuses, to a file.
async function copyText(text, label) {
  try {
    await navigator.clipboard.writeText(text);
    speak(`${label} is copied; paste it into a spreadsheet.`);
    return true;
  } catch {
    saveText(text, fileName(label, "tsv"));
    return false;
  }
}

export function copyButton(label, words, text) {
  const button = el("button", { type: "button", class: "tool", "aria-label": `${words}: ${label}` }, words);
  button.addEventListener("click", async () => {
    button.textContent = (await copyText(text(), label)) ? "Copied" : "Saved";
    setTimeout(() => { button.textContent = words; }, 2000);
  });
  return button;
}

// A table that fits scrolls with the page, its heads staying below the bar; a wider one by itself.
const fitting = new ResizeObserver((entries) => {
  for (const { target } of entries) target.classList.toggle("fits", target.firstElementChild.scrollWidth <= target.clientWidth);
});

export function spreadsheet(label, table, text = () => textOf(table)) {
  const scroller = scrolling(label, table);
  fitting.observe(scroller);
  return el("div", { class: "sheet" }, scroller, el("p", { class: "tools no-print" }, copyButton(label, "Copy table", text)));
}
