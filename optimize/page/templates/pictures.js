// A chart or section as a PNG: its layers, drawn one over the other.

import { el } from "../../web/elements.js";
import { data, speak } from "./base.js";
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

export async function png(layers, scale) {
  const box = layers[layers.length - 1].getBoundingClientRect();
  const canvas = el("canvas", { width: Math.round(box.width * scale), height: Math.round(box.height * scale) });
  const pen = canvas.getContext("2d");
  pen.fillStyle = colours.card;
  pen.fillRect(0, 0, canvas.width, canvas.height);
  for (const layer of layers) pen.drawImage(await imageOf(layer), 0, 0, canvas.width, canvas.height);
  return new Promise((done) => canvas.toBlob(done, "image/png"));
}

// To the clipboard, or where the browser refuses, to a file.
export function pictureButton(layers, label, scale = 2) {
  const button = el("button", { type: "button", class: "tool no-print", "aria-label": `Copy picture: ${label}` }, "Copy picture");
  button.addEventListener("click", async () => {
    const blob = await png(layers(), scale);
    try {
      await navigator.clipboard.write([new ClipboardItem({ "image/png": blob })]);
      speak(`The ${label} is copied as a picture.`);
      button.textContent = "Copied";
    } catch {
      save(blob, fileName(`${data.title} ${label}`, "png"));
      button.textContent = "Saved";
    }
    setTimeout(() => { button.textContent = "Copy picture"; }, 2000);
  });
  return button;
}
