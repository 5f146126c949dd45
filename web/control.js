// What the coach wants of this phone (channel message `control`), and what the board is told of it.

import { Clock } from "./clock.js";
import { byId } from "./dom.js";
import { t } from "./texts.js";

const DONE = "teesquare.control";
const ABOUT_MS = 10_000;
const CALL_MS = 12_000;
const LATE_MS = 2000; // a start that is older was meant for another swing
const LOCKED = "#live-settings, #start-settings, #place-open, #aim, #aim-again, #pick-view input, #pick-hand input";

export class Coach {
  /**
   * `settings()` now, `change(settings)` what was asked; `speak(text)`; `pictures()` whether the
   * board may show pictures; `closeDialogs()` when changes are locked out. `film`: {start({delayS,
   * filmId}), stop(), current() -> {id, startedMs} | null}, or null where this page cannot film.
   */
  constructor({ settings, change, speak, closeDialogs, film = null }) {
    Object.assign(this, { settings, change, speak, closeDialogs, film });
    this.locked = false;
    this.call = null;
    this.done = recall();
    this.battery = null;
    this.fresh();
    navigator.getBattery?.().then((battery) => {
      this.battery = battery;
    }).catch(() => {
      // The browser keeps it to itself.
    });
    byId("call-done").onclick = () => this.#hang();
  }

  /** A new connection: the server at its other end may be another one. */
  fresh() {
    this.clock = new Clock();
    this.seen = {};
    this.aboutText = "";
    this.aboutMs = -Infinity;
  }

  /** What each ping carries. */
  ping() {
    return { clock: this.clock.last, control: this.seen, pictures: this.settings().board_pictures };
  }

  /** With each ping: what the browser tells of the phone, and how a film that was asked for began. */
  tick(send) {
    const now = performance.now();
    const film = this.film?.current() ?? null;
    const link = navigator.connection;
    const about = {
      type: "about",
      battery: this.battery?.level ?? null,
      charging: this.battery?.charging ?? null,
      signal: (link?.type && link.type !== "unknown" ? link.type : link?.effectiveType) ?? "",
      filming: film !== null,
    };
    const text = JSON.stringify(about);
    if (text !== this.aboutText || now - this.aboutMs > ABOUT_MS) {
      Object.assign(this, { aboutText: text, aboutMs: now });
      send(about);
    }
    // Repeated while it runs, since each message may be lost.
    if (film?.id) send({ type: "film-began", film: film.id, at_ms: film.startedMs });
  }

  pong(message) {
    this.clock.pong(message, performance.now());
  }

  /** A `control` message: the whole state. Parts that were done are not done again. */
  control(message) {
    const { epoch, seq, setup, call, film } = message;
    if (epoch === this.seen.epoch && seq < this.seen.seq) return; // overtaken on the way
    if (epoch !== this.done.epoch) this.done = { epoch, setup: 0, call: 0, film: 0 };
    if (setup && setup.seq > this.done.setup) {
      this.done.setup = setup.seq;
      this.change(merged(this.settings(), setup.values));
    }
    this.#lock(message.locked === true);
    if (call && call.seq > this.done.call) {
      this.done.call = call.seq;
      this.#call(call.text);
    }
    if (film && film.seq > this.done.film) {
      this.done.film = film.seq;
      this.#film(film);
    }
    keep(this.done);
    this.seen = { epoch, seq };
  }

  #lock(locked) {
    if (locked && !this.locked) this.closeDialogs();
    this.locked = locked;
    byId("locked").hidden = !locked;
    for (const node of document.querySelectorAll(LOCKED)) node.disabled = locked;
  }

  #call(text) {
    this.call = text;
    byId("call-text").textContent = text;
    byId("call").hidden = false;
    this.speak(text);
    clearTimeout(this.callTimer);
    this.callTimer = setTimeout(() => this.#hang(), CALL_MS);
  }

  #hang() {
    this.call = null;
    byId("call").hidden = true;
  }

  #film({ do: act, id, at_s: atS }) {
    if (!this.film) {
      if (act === "start") this.#call(t("call.no-film"));
      return;
    }
    if (act === "stop") {
      this.film.stop();
      return;
    }
    const now = performance.now();
    const delayMs = (this.clock.toPhoneMs(atS, now) ?? now) - now;
    if (delayMs > -LATE_MS) this.film.start({ delayS: Math.max(0, delayMs) / 1000, filmId: id });
  }
}

/** A copy of the settings with the values over them; keys that the page does not know are left out. */
function merged(settings, values) {
  const out = structuredClone(settings);
  for (const [key, value] of Object.entries(values)) {
    if (!(key in out)) continue;
    if (out[key] !== null && typeof out[key] === "object") Object.assign(out[key], value);
    else out[key] = value;
  }
  return out;
}

// Kept over a reload of the page, so that an old wish does not undo what was changed since.
function recall() {
  try {
    return JSON.parse(sessionStorage.getItem(DONE)) ?? {};
  } catch {
    return {};
  }
}

function keep(done) {
  try {
    sessionStorage.setItem(DONE, JSON.stringify(done));
  } catch {
    // Private mode: it lasts until the page is left.
  }
}
