// Lengths and angles for people: metric or inches, never more digits than are known.

import { spread } from "./decide.js";
import { decimal, pointed, t } from "./texts.js";

const INCH_M = 0.0254; // exact, international inch (1959)

/** Factor from metres and the unit's name, for a length that is near or far. */
export function lengthUnit(units, far = false) {
  if (units === "in") return far ? [1 / (12 * INCH_M), t("unit.ft")] : [1 / INCH_M, t("unit.in")];
  return far ? [1, t("unit.m")] : [100, t("unit.cm")];
}

/** Factor from metres and the unit's name, for distances over the range. */
export function farUnit(units) {
  return units === "in" ? [1 / (36 * INCH_M), t("unit.yd")] : [1, t("unit.m")];
}

/** {value, unit, spread} as strings for one row of quantities(). */
export function format(quantity, units) {
  const { dimension, sigma } = quantity;
  // Sideways and turn show their direction in words, so their number has no sign.
  const shown = quantity.direction ? Math.abs(quantity.value) : quantity.value;
  const [factor, unit] = dimension === "angle" ? [1, t("unit.deg")] : lengthUnit(units, dimension === "far");
  if (shown === null) return { value: "–", unit: "", spread: "" };
  const wide = sigma === null ? null : spread(sigma) * factor;
  const digits = decimals(dimension, wide);
  const plus = wide === null ? "" : `± ${decimal(Math.max(wide, 10 ** -digits), digits)}`;
  return { value: pointed(zero((shown * factor).toFixed(digits))), unit, spread: plus };
}

function decimals(dimension, wide) {
  if (dimension === "angle") return wide !== null && wide >= 3 ? 0 : 1;
  if (dimension === "far") return wide !== null && wide < 0.05 ? 2 : 1;
  return wide !== null && wide < 1 ? 1 : 0;
}

function zero(text) {
  return Number(text) === 0 ? text.replace("-", "") : text.replace("-", "−");
}

/** Metres as shown in a settings field, and back; inches or centimetres. */
export function toField(metres, units) {
  if (metres === null || metres === undefined) return "";
  const [factor] = lengthUnit(units);
  return String(Math.round(metres * factor * 10) / 10);
}

export function fromField(text, units) {
  if (text.trim() === "") return null;
  const [factor] = lengthUnit(units);
  return Number(text) / factor;
}
