// What the page may say at this moment: a pure function of what is known, for the one panel.

export const SQUARE_FRESH_MS = 1000;
export const FRESH_MS = 1500;

/** Age of a guidance message in ms: its time here plus its time on the server. */
export function ageOf(guidance, arrivedMs, nowMs) {
  return nowMs - arrivedMs + Math.max(0, guidance.age_ms ?? 0);
}

/**
 * The one thing to show: {kind, arrow, word, number, unit, say, hold}.
 * kind: connecting | reconnecting | waiting | stale | applying | not-found | off | hold | square.
 * `square` only on a fresh "square" for the setup in force here, never on anything else.
 *
 * @param connection "connecting" | "live" | "reconnecting"
 * @param guidance the newest message or null
 * @param setupSeq the setup that the user sees
 */
export function decide({ connection, guidance, arrivedMs, nowMs, setupSeq, problem = null }) {
  if (connection !== "live") return plain(connection, problem);
  if (!guidance) return plain("waiting");
  const age = ageOf(guidance, arrivedMs, nowMs);
  const square = guidance.verdict === "square";
  if (age >= (square ? SQUARE_FRESH_MS : FRESH_MS)) return plain("stale");
  if (square && guidance.setup_seq !== setupSeq) return plain("applying");
  const kind = square ? "square" : kindOf(guidance);
  const big = guidance.big ?? {};
  return {
    kind,
    arrow: square ? "ready" : big.arrow || (kind === "not-found" ? "find" : "hold"),
    word: big.word || null,
    number: square ? null : text(big.number),
    unit: big.unit || null,
    say: guidance.say || null,
    hold: kind === "hold" ? guidance.hold : null,
  };
}

function kindOf(guidance) {
  if (guidance.verdict === "not-found") return "not-found";
  return guidance.big?.arrow === "hold" ? "hold" : "off";
}

function plain(kind, problem = null) {
  const arrow = { stale: "broken", reconnecting: "broken" }[kind] ?? "wait";
  return { kind, arrow, word: null, number: null, unit: null, say: problem, hold: null };
}

function text(value) {
  return value === null || value === undefined || value === "" ? null : String(value);
}

const Z95 = 1.96;

/**
 * Each quantity of the strip: {name, value, sigma, error, tolerance, direction, mark, dimension}.
 * SI metres and degrees. mark: in | off | unsure | unknown | free | unproven.
 */
export function quantities(guidance, settings) {
  const place = guidance?.placement ?? {};
  const sigma = guidance?.sigma ?? {};
  const { goal, tolerance } = settings;
  const row = (name, key, dimension, aim, limit, words) => {
    const value = number(place[key]);
    const error = value === null || aim === null ? null : value - aim;
    return {
      name, dimension, value,
      sigma: number(sigma[key]),
      error, tolerance: limit,
      direction: words && value ? (value > 0 ? words[1] : words[0]) : null,
      mark: mark(value, error, number(sigma[key]), limit),
    };
  };
  const sides = ["left", "right"];
  const spins = ["counterclockwise", "clockwise"];
  return [
    row("offset", "offset_m", "length", 0, tolerance.offset_m, sides),
    row("yaw", "yaw_deg", "angle", 0, tolerance.yaw_deg, sides),
    row("roll", "roll_deg", "angle", 0, tolerance.roll_deg, spins),
    row("height", "height_m", "length", goal.height_m, tolerance.height_m, null),
    row("distance", "distance_m", "far", goal.distance_m, tolerance.distance_m, null),
    layoutRow(guidance?.layout, settings),
  ];
}

function layoutRow(layout, settings) {
  const square = settings.view === "face-on" ? 90 : 0;
  const value = number(layout?.angle_deg);
  const sigma = number(layout?.sigma_deg);
  const error = value === null ? null : value - square;
  const proven = layout?.measured === true;
  return {
    name: "layout", dimension: "angle", value, sigma, error, direction: null,
    tolerance: settings.tolerance.layout_deg,
    mark: value !== null && !proven
      ? "unproven"
      : mark(value, error, sigma, settings.tolerance.layout_deg),
  };
}

/** In only with 95 % confidence, as the verdict itself; a value without its sigma is unsure. */
export function mark(value, error, sigma, limit) {
  if (value === null) return "unknown";
  if (error === null || limit === null || limit === undefined) return "free";
  if (Math.abs(error) > limit) return "off";
  if (sigma === null) return "unsure";
  return inside(error, sigma, limit) >= 0.95 ? "in" : "unsure";
}

function inside(error, sigma, limit) {
  if (sigma <= 0) return 1;
  return normal((limit - error) / sigma) - normal((-limit - error) / sigma);
}

/** Standard normal distribution; erf by Abramowitz & Stegun 7.1.26, error below 1.5e-7. */
export function normal(z) {
  const x = Math.abs(z) / Math.SQRT2;
  const k = 1 / (1 + 0.3275911 * x);
  const poly =
    k * (0.254829592 + k * (-0.284496736 + k * (1.421413741 + k * (-1.453152027 + k * 1.061405429))));
  const half = (1 - poly * Math.exp(-x * x)) / 2;
  return z >= 0 ? 0.5 + half : 0.5 - half;
}

/** Half width of the interval that holds 19 times out of 20. */
export function spread(sigma) {
  return sigma === null ? null : Z95 * sigma;
}

/**
 * How near to square, 0 (far) to 1 (inside every tolerance), for the tone; null when unknown.
 * Every doubling of the worst error over its tolerance takes the same step down.
 */
export function closeness(guidance, settings) {
  const rows = quantities(guidance, settings).filter((q) => q.error !== null && q.tolerance);
  const judged = rows.filter((q) => q.mark !== "unproven");
  if (!judged.length) return null;
  const worst = Math.max(...judged.map((q) => Math.abs(q.error) / q.tolerance));
  return Math.min(1, Math.max(0, 1 - Math.log2(Math.max(1, worst)) / 5));
}

function number(value) {
  return typeof value === "number" && Number.isFinite(value) ? value : null;
}
