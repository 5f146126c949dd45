// The simulated phone of `teesquare demo`: pictures rendered by the server, drawn on a canvas and
// streamed like a camera's; sliders and keys move the lens. Loaded by the page with `?demo=1`.

import { Hand } from "/web/demo/hand.js";
import { addTexts, decimal, onTexts, t } from "/web/texts.js";

const FPS = 15;
const GRAVITY = 9.80665;
const TILT_NOISE = 0.02; // m/s² on each axis
const STALE_MS = 600; // older guidance is no ground for the hand to move on

const START = {
  offset_m: -0.5, yaw_deg: 8, roll_deg: 2.5, pitch_deg: -9, height_m: 1, distance_m: 3.5,
  upright: false,
};

// Order of importance. `say`: names of the negative and the positive side.
const SLIDERS = [
  { name: "offset_m", min: -1, max: 1, step: 0.005, keys: ["a", "d"], nudge: 0.02, say: ["left", "right"], unit: "cm" },
  { name: "yaw_deg", min: -20, max: 20, step: 0.1, keys: ["q", "e"], nudge: 0.5, say: ["left", "right"], unit: "deg" },
  { name: "roll_deg", min: -10, max: 10, step: 0.1, keys: ["z", "c"], nudge: 0.5, say: ["counterclockwise", "clockwise"], unit: "deg" },
  { name: "pitch_deg", min: -40, max: 15, step: 0.5, keys: ["f", "r"], nudge: 1, say: ["down", "up"], unit: "deg" },
  { name: "height_m", min: 0.4, max: 1.8, step: 0.01, keys: ["g", "t"], nudge: 0.05, unit: "m" },
  { name: "distance_m", min: 1.5, max: 6, step: 0.01, keys: ["w", "s"], nudge: 0.1, unit: "m" },
];

/** {stream, onTilt(callback) -> stop, controls}: a camera, a tilt sensor, and what moves them. */
export async function source() {
  await addTexts("demo");
  const phone = new SimulatedPhone();
  await phone.draw(); // so that the stream begins with a picture
  phone.run();
  return {
    stream: phone.canvas.captureStream(FPS),
    onTilt: (callback) => phone.onTilt(callback),
    controls: phone.panel.root,
  };
}

class SimulatedPhone {
  constructor() {
    this.pose = { ...START };
    this.shown = this.pose; // the pose of the picture on the canvas
    this.rods = "follow";
    this.hand = null;
    this.number = 0;
    this.guidanceSeq = null;
    this.guidanceMs = 0;
    this.listeners = new Set();
    this.canvas = document.createElement("canvas");
    this.context = this.canvas.getContext("2d", { alpha: false });
    this.panel = new Panel(this);
  }

  /** Calls back like a DeviceMotion event would, for the pose on show. Returns stop(). */
  onTilt(callback) {
    this.listeners.add(callback);
    return () => this.listeners.delete(callback);
  }

  /** One picture after the other, at most 15 a second; asks again when the program was away. */
  async run() {
    for (;;) {
      const begin = performance.now();
      try {
        await this.draw();
        this.panel.lost(false);
      } catch {
        this.panel.lost(true);
        await pause(1000);
      }
      this.tilt();
      const spent = performance.now() - begin;
      await pause(Math.max(5, 1000 / FPS - spent));
      this.moveByHand((performance.now() - begin) / 1000);
    }
  }

  async draw() {
    const pose = { ...this.pose };
    const page = window.teesquare?.state().settings ?? {};
    const query = new URLSearchParams({
      view: this.rods === "follow" ? page.view ?? "face-on" : this.rods,
      handed: page.handed ?? "right",
      n: String(this.number++),
      upright: pose.upright ? "1" : "0",
    });
    for (const { name } of SLIDERS) query.set(name, pose[name].toFixed(4));
    const answer = await fetch(`/demo/frame?${query}`, { cache: "no-store" });
    if (!answer.ok) throw new Error(`picture: ${answer.status}`);
    const picture = await createImageBitmap(await answer.blob());
    if (this.canvas.width !== picture.width || this.canvas.height !== picture.height) {
      this.canvas.width = picture.width;
      this.canvas.height = picture.height;
    }
    this.context.drawImage(picture, 0, 0);
    picture.close();
    this.shown = pose;
  }

  tilt() {
    const pitch = (this.shown.pitch_deg * Math.PI) / 180;
    const roll = (this.shown.roll_deg * Math.PI) / 180;
    // Up in the picture's axes: x right, y up, z out of the screen. Looking up (pitch +) turns
    // the screen down; rolled clockwise, the picture's right side goes down.
    const up = [-Math.sin(roll) * Math.cos(pitch), Math.cos(roll) * Math.cos(pitch), -Math.sin(pitch)];
    const gravity = up.map((v) => v * GRAVITY + TILT_NOISE * (Math.random() - 0.5) * 3.5);
    for (const callback of this.listeners) callback({ gravity, screen_deg: 0 });
  }

  moveByHand(seconds) {
    if (!this.hand) return;
    const now = performance.now();
    const guidance = window.teesquare?.state().guidance ?? null;
    if (guidance && guidance.seq !== this.guidanceSeq) {
      this.guidanceSeq = guidance.seq;
      this.guidanceMs = now;
    }
    const fresh = now - this.guidanceMs < STALE_MS ? guidance : null;
    if (this.hand.step(this.pose, fresh, now, Math.min(seconds, 0.5))) this.panel.show();
  }

  useHand(on) {
    this.hand = on ? new Hand() : null;
    this.panel.show();
  }

  reset() {
    this.pose = { ...START };
    this.useHand(false);
  }
}

class Panel {
  constructor(phone) {
    this.phone = phone;
    this.root = make("fieldset", "demo-panel");
    this.#build();
    onTexts(() => this.#build());
    window.addEventListener("keydown", (event) => this.#key(event));
  }

  #build() {
    const { phone } = this;
    this.root.replaceChildren(Object.assign(make("legend", "demo-legend"), { textContent: t("demo.title") }));
    this.inputs = new Map();
    this.handButton = this.#button("demo.hand.start", () => phone.useHand(!phone.hand));
    this.handButton.id = "demo-hand";
    this.handButton.classList.add("strong");
    const buttons = make("div", "demo-buttons");
    buttons.append(this.handButton, this.#button("demo.again", () => phone.reset()));
    this.root.append(buttons);
    for (const slider of SLIDERS) this.root.append(this.#slider(slider));
    this.root.append(this.#choice(), this.#upright());
    this.warning = make("p", "demo-lost");
    this.warning.setAttribute("role", "alert");
    this.root.append(this.warning);
    this.show();
  }

  /** Everything as the pose now is. */
  show() {
    for (const slider of SLIDERS) {
      const { input, output } = this.inputs.get(slider.name);
      const value = this.phone.pose[slider.name];
      input.value = String(value);
      output.textContent = words(slider, value);
      input.setAttribute("aria-valuetext", output.textContent);
    }
    this.uprightBox.checked = this.phone.pose.upright;
    this.handButton.textContent = t(this.phone.hand ? "demo.hand.stop" : "demo.hand.start");
    this.handButton.setAttribute("aria-pressed", String(Boolean(this.phone.hand)));
  }

  lost(yes) {
    const text = yes ? t("demo.lost") : "";
    if (this.warning.textContent !== text) this.warning.textContent = text;
  }

  #set(name, value) {
    const { min, max } = SLIDERS.find((slider) => slider.name === name);
    this.phone.pose[name] = Math.min(max, Math.max(min, value));
    if (this.phone.hand) this.phone.useHand(false); // whoever touches a slider takes over
    this.show();
  }

  #slider(slider) {
    const { name, min, max, step, keys } = slider;
    const input = Object.assign(document.createElement("input"), {
      type: "range", min: String(min), max: String(max), step: String(step), id: `demo-${name}`,
    });
    input.oninput = () => this.#set(name, input.valueAsNumber);
    const output = make("output", "demo-value");
    const label = Object.assign(document.createElement("label"), {
      htmlFor: input.id, textContent: t(`demo.${name}`),
      title: t("demo.keys", { less: keys[0].toUpperCase(), more: keys[1].toUpperCase() }),
    });
    const hint = Object.assign(make("kbd", "demo-hint"), { textContent: keys.join(" ").toUpperCase() });
    const row = make("div", "demo-row");
    row.append(label, hint, input, output);
    this.inputs.set(name, { input, output });
    return row;
  }

  #choice() {
    const select = Object.assign(document.createElement("select"), { id: "demo-rods" });
    for (const value of ["follow", "face-on", "down-the-line"]) {
      select.append(new Option(t(`demo.rods.${value}`), value));
    }
    select.value = this.phone.rods;
    select.onchange = () => {
      this.phone.rods = select.value;
    };
    const label = Object.assign(document.createElement("label"), {
      htmlFor: select.id, textContent: t("demo.rods"),
    });
    const row = make("div", "demo-row demo-choice");
    row.append(label, select);
    return row;
  }

  #upright() {
    this.uprightBox = Object.assign(document.createElement("input"), { type: "checkbox", id: "demo-upright" });
    this.uprightBox.onchange = () => {
      this.phone.pose.upright = this.uprightBox.checked;
    };
    const label = Object.assign(document.createElement("label"), {
      htmlFor: this.uprightBox.id, textContent: t("demo.upright"),
    });
    const row = make("div", "demo-row demo-choice");
    row.append(label, this.uprightBox);
    return row;
  }

  #button(key, act) {
    const button = Object.assign(document.createElement("button"), { type: "button", textContent: t(key) });
    button.onclick = act;
    return button;
  }

  #key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey || !this.root.isConnected) return;
    if (event.target.closest?.("input:not([type=range]), select, textarea, dialog")) return;
    for (const { name, keys, nudge } of SLIDERS) {
      const side = keys.indexOf(event.key.toLowerCase());
      if (side < 0) continue;
      event.preventDefault();
      // Keys go the way they are named: for the distance, "w" walks up to the rods.
      this.#set(name, this.phone.pose[name] + (side === 0 ? -nudge : nudge));
    }
  }
}

/** A slider's value for people: "50 cm left". */
function words({ say, unit }, value) {
  const n = unit === "cm" ? Math.round(Math.abs(value) * 100)
    : unit === "deg" ? decimal(Math.abs(value), 1) : decimal(value, 2);
  const plain = t(`demo.value.${unit}`, { n });
  if (!say || !/[1-9]/.test(n)) return plain;
  return t(`demo.value.${say[value < 0 ? 0 : 1]}`, { value: plain });
}

function make(tag, className) {
  return Object.assign(document.createElement(tag), { className });
}

function pause(ms) {
  return new Promise((resolve) => setTimeout(resolve, ms));
}
