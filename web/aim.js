// "Where do the rods aim?": a mode in which a tap on the picture marks the target, not a rod.

/** Keeps the target as the server must know it; `onChange` is called with each change. */
export class AimMode {
  constructor({ distance, onChange }) {
    this.distance = distance; // () => metres or null
    this.onChange = onChange;
    this.on = false;
    this.seq = 0;
    this.at = null;
    this.of = null;
    this.far = null;
  }

  /** Waiting for the tap on the target. */
  get asking() {
    return this.on && this.at === null;
  }

  toggle() {
    this.on = !this.on;
    this.#change(null, null);
  }

  /** The old place says nothing any more: wait for another tap. */
  again() {
    if (this.at) this.#change(null, null);
  }

  off() {
    if (this.on) this.toggle();
  }

  /** A tap on the picture; true where it was meant for the target. */
  take(tap, size) {
    if (!this.asking) return false;
    this.#change(tap, size);
    return true;
  }

  /** The stated distance may have changed. */
  restate() {
    if (this.at && this.distance() !== this.far) this.#change(this.at, this.of);
  }

  /** What is to be sent, null before the mode was ever on. */
  message() {
    if (this.seq === 0) return null;
    return { seq: this.seq, xy_px: this.at, size: this.of, distance_m: this.far };
  }

  /** What the panel shows in this mode: asking, or where the rods point; else `view` itself. */
  view(view, guidance) {
    if (!this.on || ["connecting", "reconnecting", "waiting"].includes(view.kind)) return view;
    const plain = { word: null, number: null, unit: null, say: null, hold: null };
    if (this.asking) return { kind: "aim-tap", arrow: "find", ...plain };
    if (!["off", "hold", "square", "applying"].includes(view.kind)) return view;
    if (guidance.aim_seq !== this.seq) return { kind: "applying", arrow: "wait", ...plain };
    const { aim, aim_big: big } = guidance;
    if (!aim || !big) return view.kind === "square" ? { ...view, kind: "hold", arrow: "hold" } : view;
    return {
      kind: "aim", arrow: big.arrow, word: big.word, number: big.number || null,
      unit: big.unit || null, say: aim.text, hold: null,
    };
  }

  #change(at, of) {
    this.at = at;
    this.of = of;
    this.far = this.distance();
    this.seq += 1;
    this.onChange();
  }
}
