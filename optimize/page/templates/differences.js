// A difference as text: beyond its error bold, within it only roughly equal, nothing if it is none.

import { el } from "../../web/elements.js";
import { plain, signed } from "../../web/numbers.js";
import { difference, onReference, view } from "./base.js";

const half = (error) => (error > 0 ? ` \u00b1\u00a0${plain(parseFloat(error.toPrecision(2)))}` : "");

export function withError({ step, error, digits, decided }) {
  const cells = { "data-step": signed(step, digits), "data-error": plain(error) };
  if (decided) return el("b", { class: "beyond", ...cells }, signed(step, digits), el("span", { class: "pm" }, half(error)));
  return el("span", { class: "same", ...cells }, error > 0 ? `\u2248${half(error)}` : "");
}

// A figure of a build less that of the reference, which follows the choice of the reference.
export function fromReference(i, name) {
  const step = el("span", { class: "step" });
  const draw = () => {
    const found = view.reference === null || view.reference === i ? null : difference(i, view.reference, name);
    step.replaceChildren(...found ? [withError(found)] : []);
  };
  onReference.push(draw);
  draw();
  return step;
}
