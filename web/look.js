// The first look: over the rods, back to the tripod. Begins by itself or by a tap; one tap skips it.

const MOVED_MS = 5000; // so long the panel says that the rods were moved, then guidance goes on
const UNDER = ["off", "hold", "square", "not-found"];

export class FirstLook {
  /** `onChange` is called with each word to the server. */
  constructor({ onChange }) {
    this.onChange = onChange;
    this.seq = 0;
    this.sent = null;
    this.phase = "off";
    this.movedAt = -Infinity;
  }

  /** What is to be sent, null before the first word. */
  message() {
    return this.sent;
  }

  begin() {
    this.#send("begin");
  }

  skip() {
    this.#send("skip");
  }

  /** A new connection begins without: what was asked for before is over. */
  forget() {
    this.sent = null;
    this.phase = "off";
  }

  /** Over the rods or walking back, by what the server says. */
  collecting(guidance) {
    return ["over", "back"].includes(guidance?.look?.phase);
  }

  /** What the first look puts on the panel; anything else leaves `view` as it is. */
  view(view, guidance, nowMs) {
    const look = guidance?.look;
    if (look && look.phase !== this.phase) {
      if (look.phase === "moved") this.movedAt = nowMs;
      this.phase = look.phase;
    }
    if (!look?.big || !UNDER.includes(view.kind)) return view;
    if (look.phase === "moved" && nowMs - this.movedAt > MOVED_MS) return view;
    const { arrow, word, number, unit } = look.big;
    return {
      kind: look.phase === "moved" ? "moved" : "look", arrow, word, number: number || null,
      unit: unit || null, say: look.text, hold: null,
    };
  }

  /** The line under the picture once there is something to say beside the guidance. */
  status(guidance, view) {
    if (["look", "moved"].includes(view.kind)) return ""; // the panel says it
    return guidance?.look?.text ?? "";
  }

  #send(act) {
    this.seq += 1;
    this.sent = { seq: this.seq, do: act };
    this.onChange();
  }
}
