// The scripted hand of the page: moves the phone by the guidance's first instruction, like
// server/demo/hand.py. It sees guidance messages only.

const ERROR = 0.08; // spread of a move, of the move; a guess, not measured
const PAUSE_MS = 1200; // from letting go to the next move
const STEADY = 0.15; // a number that still runs by more than this share is not acted on
const SPEED = { m: 0.25, deg: 8 }; // per second
const LEAST = { m: 0.004, deg: 0.2 };
const UNTOLD = { m: 0.1, deg: 4 };

const ACTS = {
  "slide left": ["offset_m", -1], "slide right": ["offset_m", 1],
  "turn left": ["yaw_deg", -1], "turn right": ["yaw_deg", 1],
  "raise up": ["height_m", 1], "raise down": ["height_m", -1],
  "closer forward": ["distance_m", -1], "closer back": ["distance_m", 1],
  "tilt up": ["pitch_deg", 1], "tilt down": ["pitch_deg", -1],
  "level clockwise": ["roll_deg", 1], "level counterclockwise": ["roll_deg", -1],
};

export class Hand {
  constructor() {
    this.rest(0);
  }

  rest(nowMs) {
    this.quantity = null;
    this.left = 0;
    this.before = null; // {seq, key, told} of the message before
    this.freeFromMs = nowMs + PAUSE_MS;
  }

  /** Moves `pose` (a plain object, changed in place) for `dtS` seconds. True if it changed. */
  step(pose, guidance, nowMs, dtS) {
    if (this.quantity === null) return this.#begin(pose, guidance, nowMs);
    const unit = this.quantity.endsWith("_m") ? "m" : "deg";
    const part = Math.sign(this.left) * Math.min(SPEED[unit] * dtS, Math.abs(this.left));
    pose[this.quantity] += part;
    this.left -= part;
    if (Math.abs(this.left) < 1e-9) this.rest(nowMs);
    return true;
  }

  #begin(pose, guidance, nowMs) {
    if (!guidance || guidance.verdict === "square" || nowMs < this.freeFromMs) return false;
    const advice = guidance.advice?.[0];
    if (advice?.move === "rotate") {
      pose.upright = !pose.upright;
      this.rest(nowMs);
      return true;
    }
    const act = ACTS[`${advice?.move} ${advice?.direction}`];
    if (!act) return false;
    const [quantity, sign] = act;
    const unit = quantity.endsWith("_m") ? "m" : "deg";
    const told = advice[`amount_${unit}`] ?? UNTOLD[unit];
    if (!this.#steady(guidance.seq, act, told)) return false;
    const wrong = (Math.random() + Math.random() + Math.random() - 1.5) * 2 * ERROR;
    this.quantity = quantity;
    this.left = sign * Math.max(told * (1 + wrong), LEAST[unit]);
    return false;
  }

  /** The same words twice with much the same number: the picture has caught up with the phone. */
  #steady(seq, act, told) {
    const before = this.before;
    if (before?.seq === seq) return false;
    this.before = { seq, act, told };
    return before?.act === act && Math.abs(before.told - told) <= STEADY * told + 1e-3;
  }
}
