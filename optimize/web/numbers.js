// Numbers as text: as many digits as their error allows, a true minus sign, the unit.

const decimals = (error) => (error > 0 ? Math.min(6, Math.max(0, 1 - Math.floor(Math.log10(error)))) : 4);
export const minus = (text) => text.replace("-", "\u2212");
export const plain = (value) => minus(String(parseFloat(value.toPrecision(5))));
export const number = (value, error) => minus(value.toFixed(decimals(error)));
export const signed = (value, error) => (value > 0 ? "+" : "") + number(value, error);
// Whether a difference exceeds the errors of its terms; one that prints as zero does not.
export const exceeds = (step, errors, digits) => Math.abs(step) > Math.max(...errors) && /[1-9]/.test(number(step, digits));
export const withUnit = (text, unit) => (unit === "" ? text : unit === "\u00b0" ? text + unit : `${text}\u00a0${unit}`);
// A heading: label and unit, which a narrow column must not part.
export const titled = (label, unit) => (unit ? `${label},\u00a0${unit}` : label);
export const spread = (error) => (error > 0 ? `\u00b1\u00a0${minus(String(parseFloat(error.toPrecision(2))))}` : "exact");
