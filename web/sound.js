// Guidance for the ear: beats that quicken and rise toward square, a chord for square, speech.

import { language } from "./texts.js";

const SLOW_S = 1.1;
const QUICK_S = 0.16;
const LOW_HZ = 260;
const HIGH_HZ = 880;
const CHIME_HZ = [523.25, 659.25, 783.99]; // C5 E5 G5: a chord, as nothing else here is
const READY_HZ = [...CHIME_HZ, 1046.5]; // up to C6: locked
const CHIME_EVERY_S = 4;
const ALARM_HZ = [880, 587.33, 880, 587.33]; // up and down, as no beat and no chord here is
const ALARM_EVERY_S = 2;
const SPEAK_AGAIN_MS = 4000;
const CALL_MS = 8000; // at most so long nothing else is said

/** Beat period and pitch of a closeness 0..1. */
export function beat(closeness) {
  return {
    everyS: SLOW_S * (QUICK_S / SLOW_S) ** closeness,
    pitchHz: LOW_HZ * (HIGH_HZ / LOW_HZ) ** closeness,
  };
}

export class Sound {
  constructor() {
    this.context = null;
    this.toneOn = true;
    this.voiceOn = true;
    this.mode = { kind: "quiet" };
    this.timer = null;
    this.spoken = { kind: null, say: null, atMs: -Infinity };
    this.callUntilMs = -Infinity; // a coach's call is not spoken over
  }

  /** Call inside a tap: browsers keep sound locked until then. */
  unlock() {
    const Context = window.AudioContext ?? window.webkitAudioContext;
    if (Context && !this.context) this.context = new Context();
    this.context?.resume().catch(() => {});
    if (window.speechSynthesis) {
      window.speechSynthesis.getVoices(); // starts their loading
      window.speechSynthesis.cancel();
    }
  }

  /** mode: {kind: "quiet"} | {kind: "seek", closeness} | {kind: "square"} | {kind: "ready"} | {kind: "alarm"}. */
  setMode(mode) {
    const changed = mode.kind !== this.mode.kind;
    this.mode = mode;
    if (!changed) return;
    clearTimeout(this.timer);
    this.timer = null;
    if (mode.kind !== "quiet") this.#next();
  }

  stop() {
    this.setMode({ kind: "quiet" });
    window.speechSynthesis?.cancel();
    this.spoken = { kind: null, say: null, atMs: -Infinity };
  }

  /** Speaks a new kind of instruction at once, a changed number only every few seconds. */
  speak(kind, say) {
    if (!this.voiceOn || !say || !window.speechSynthesis) return;
    const now = performance.now();
    if (now < this.callUntilMs) return;
    const newKind = kind !== this.spoken.kind;
    if (say === this.spoken.say) return;
    if (!newKind && now - this.spoken.atMs < SPEAK_AGAIN_MS) return;
    const voice = localVoice();
    if (!voice) return;
    if (newKind) window.speechSynthesis.cancel();
    const utterance = new SpeechSynthesisUtterance(say);
    utterance.voice = voice;
    utterance.lang = voice.lang;
    window.speechSynthesis.speak(utterance);
    this.spoken = { kind, say, atMs: now };
  }

  /** A call from the coach: two notes, then the words, which nothing but `say` speaks over. */
  call(text) {
    if (this.toneOn) [CHIME_HZ[0], CHIME_HZ[2]].forEach((hz, i) => this.#note(hz, i * 0.2, 0.3));
    const utterance = this.say(text);
    if (!utterance) return;
    this.callUntilMs = performance.now() + CALL_MS;
    utterance.onend = () => {
      this.callUntilMs = -Infinity;
    };
  }

  /** Says a few words at once, over whatever is being said. Returns the utterance, null if mute. */
  say(text) {
    const voice = this.voiceOn && window.speechSynthesis ? localVoice() : null;
    if (!voice) return null;
    window.speechSynthesis.cancel();
    const utterance = new SpeechSynthesisUtterance(text);
    utterance.voice = voice;
    utterance.lang = voice.lang;
    window.speechSynthesis.speak(utterance);
    return utterance;
  }

  /** Whether the phone has voices, but none of its own that speaks the page's language. */
  get voiceless() {
    const voices = window.speechSynthesis?.getVoices() ?? []; // none at all: not yet loaded
    return this.voiceOn && voices.length > 0 && localVoice() === null;
  }

  /** One note, if tones are on. */
  beep(hz, lastsS) {
    if (this.toneOn) this.#note(hz, 0, lastsS);
  }

  setVoice(on) {
    this.voiceOn = on;
    if (!on) window.speechSynthesis?.cancel();
  }

  #next() {
    if (this.mode.kind === "square") {
      if (this.toneOn) CHIME_HZ.forEach((hz, i) => this.#note(hz, i * 0.12, 0.9));
      this.timer = setTimeout(() => this.#next(), CHIME_EVERY_S * 1000);
    } else if (this.mode.kind === "ready") {
      // Once: the chord, then its octave.
      if (this.toneOn) READY_HZ.forEach((hz, i) => this.#note(hz, i * 0.12, 1.1));
    } else if (this.mode.kind === "alarm") {
      if (this.toneOn) ALARM_HZ.forEach((hz, i) => this.#note(hz, i * 0.25, 0.22));
      this.timer = setTimeout(() => this.#next(), ALARM_EVERY_S * 1000);
    } else if (this.mode.kind === "seek") {
      const { everyS, pitchHz } = beat(this.mode.closeness);
      if (this.toneOn) this.#note(pitchHz, 0, Math.min(0.12, everyS * 0.6));
      this.timer = setTimeout(() => this.#next(), everyS * 1000);
    }
  }

  #note(hz, inS, lastsS) {
    const { context } = this;
    if (!context || context.state !== "running") return;
    const start = context.currentTime + inS;
    const oscillator = context.createOscillator();
    const gain = context.createGain();
    oscillator.type = "triangle"; // carries outdoors better than a sine, less harsh than a square
    oscillator.frequency.value = hz;
    // Ramps instead of steps: no clicks.
    gain.gain.setValueAtTime(0, start);
    gain.gain.linearRampToValueAtTime(0.5, start + 0.01);
    gain.gain.setTargetAtTime(0, start + lastsS * 0.5, lastsS * 0.2);
    oscillator.connect(gain).connect(context.destination);
    oscillator.start(start);
    oscillator.stop(start + lastsS * 2);
  }
}

/** Only voices that live on the phone: others send the words to the internet. */
function localVoice() {
  const voices = window.speechSynthesis.getVoices().filter((v) => v.localService);
  const fits = voices.filter((v) => v.lang.toLowerCase().startsWith(language()));
  return fits.find((v) => v.default) ?? fits[0] ?? null;
}
