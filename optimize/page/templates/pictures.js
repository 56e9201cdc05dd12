// A chart or section as a PNG: its layers, drawn one over the other.

import { el } from "../../web/elements.js";
import { speak } from "./base.js";
import { colours } from "./charts.js";
import { fileName, save } from "./tables.js";

const LOOKS = ["fill", "fill-opacity", "stroke", "stroke-opacity", "stroke-width", "stroke-dasharray", "opacity", "visibility", "paint-order", "font-family", "font-size", "font-weight", "text-anchor"];

// The picture by itself: what the page's style gives it is written into it.
function alone(picture) {
  const copy = picture.cloneNode(true);
  const [from, to] = [[picture, ...picture.querySelectorAll("*")], [copy, ...copy.querySelectorAll("*")]];
  from.forEach((part, k) => {
    const style = getComputedStyle(part);
    for (const look of LOOKS) to[k].style.setProperty(look, style.getPropertyValue(look));
    if (part.tagName === "path" || part.tagName === "line") to[k].style.color = style.color;
  });
  const { width, height } = picture.getBoundingClientRect();
  copy.setAttribute("width", width);
  copy.setAttribute("height", height);
  copy.style.color = getComputedStyle(picture).color;
  return `data:image/svg+xml;charset=utf-8,${encodeURIComponent(new XMLSerializer().serializeToString(copy))}`;
}

async function imageOf(layer) {
  if (layer.tagName === "CANVAS") return layer;
  const image = new Image();
  image.src = alone(layer);
  await image.decode();
  return image;
}

// `heads` are lines of text over places along the width.
export async function png(layers, scale, heads) {
  const box = layers[layers.length - 1].getBoundingClientRect();
  const top = heads.length ? 16 * Math.max(...heads.map(([, lines]) => lines.length)) + 8 : 0;
  const canvas = el("canvas", { width: Math.round(box.width * scale), height: Math.round((box.height + top) * scale) });
  const pen = canvas.getContext("2d");
  pen.scale(scale, scale);
  pen.fillStyle = colours.card;
  pen.fillRect(0, 0, box.width, box.height + top);
  for (const layer of layers) pen.drawImage(await imageOf(layer), 0, top, box.width, box.height);
  pen.fillStyle = colours.ink;
  pen.font = "12px system-ui, sans-serif";
  pen.textAlign = "center";
  for (const [x, lines] of heads) lines.forEach((line, n) => pen.fillText(line, x, top - 8 - 16 * (lines.length - 1 - n)));
  return new Promise((done) => canvas.toBlob(done, "image/png"));
}

// To the clipboard, or where the browser refuses, to a file.
export function pictureButton(layers, label, scale = 2, heads = () => []) {
  const button = el("button", { type: "button", class: "tool no-print", "aria-label": `Copy picture: ${label}` }, "Copy picture");
  button.addEventListener("click", async () => {
    const blob = await png(layers(), scale, heads());
    try {
      await navigator.clipboard.write([new ClipboardItem({ "image/png": blob })]);
      speak(`The ${label} is copied as a picture.`);
      button.textContent = "Copied";
    } catch {
      save(blob, fileName(label, "png"));
      button.textContent = "Saved";
    }
    setTimeout(() => { button.textContent = "Copy picture"; }, 2000);
  });
  return button;
}
