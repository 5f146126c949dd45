// The guidance channel. Messages may be lost: pings and setups repeat, guidance just comes again.

const PING_MS = 500;
const TILT_MS = 50; // at most 20 a second
const SILENT_MS = 2000; // neither pong nor guidance for so long: the server is gone

/**
 * Speaks the protocol over one RTCDataChannel. `setup()` gives {seq, setup}; `hint()` the marks on
 * the picture, {seq, xy_px, size}, or null; `aim()` the target and
 * `place()` what is to be watched, `look()` what becomes of the first look, likewise.
 */
export class GuidanceChannel {
  constructor(channel, { setup, hint = () => null, aim = () => null, place = () => null, again = () => null, look = () => null, film = () => null, coach = null, onOpen, onTick, onGuidance, onProblem, onBye, onSilent }) {
    this.channel = channel;
    this.setup = setup;
    this.hint = hint;
    this.aim = aim;
    this.place = place;
    this.again = again;
    this.look = look;
    this.coach = coach; // web/control.js
    coach?.fresh();
    this.film = film;
    this.handlers = { onTick, onGuidance, onProblem, onBye, onSilent };
    this.lastSeq = -1;
    this.echoedSeq = null;
    this.echoedHint = null;
    this.echoedAim = null;
    this.echoedPlace = null;
    this.echoedAgain = null;
    this.echoedLook = null;
    this.echoedFilm = null;
    this.refusedSeq = null;
    this.tiltSent = -Infinity;
    this.heard = performance.now();
    channel.onmessage = (event) => this.#receive(event.data);
    channel.onclose = () => this.close();
    const open = () => {
      this.timer = setInterval(() => this.#tick(), PING_MS);
      this.#tick();
      onOpen();
    };
    if (channel.readyState === "open") open();
    else channel.onopen = open;
  }

  /** Sends a changed setup at once instead of with the next ping. */
  sendSetup() {
    const now = this.setup();
    if (now.seq !== this.echoedSeq && now.seq !== this.refusedSeq) {
      this.#send({ type: "setup", seq: now.seq, setup: now.setup });
    }
  }

  /** Sends changed marks at once; like a setup they are repeated until their number comes back. */
  sendHint() {
    const now = this.hint();
    if (now && now.seq !== this.echoedHint) this.#send({ type: "hint", ...now });
  }

  /** Sends a changed target at once; repeated like the marks. */
  sendAim() {
    const now = this.aim();
    if (now && now.seq !== this.echoedAim) this.#send({ type: "aim", ...now });
  }

  /** Sends what is to be watched; repeated like the marks. */
  sendPlace() {
    const now = this.place();
    if (now && now.seq !== this.echoedPlace) this.#send({ type: "place", ...now });
  }

  /** Sends to which earlier place the phone is to be led; repeated like the marks. */
  sendAgain() {
    const now = this.again();
    if (now && now.seq !== this.echoedAgain) this.#send({ type: "again", ...now });
  }

  /** Sends what becomes of the first look; repeated like the marks. */
  sendLook() {
    const now = this.look();
    if (now && now.seq !== this.echoedLook) this.#send({ type: "look", ...now });
  }

  /** Sends what becomes of a film; repeated like the marks. */
  sendFilm() {
    const now = this.film();
    if (now && now.seq !== this.echoedFilm) this.#send({ type: "film", ...now });
  }

  /** A tilt reading ({gravity, screen_deg}), thinned; `gravity` null says there is none. */
  sendTilt({ gravity, screen_deg = 0 }) {
    const now = performance.now();
    if (gravity === null) {
      this.#send({ type: "tilt", gravity: null });
      return;
    }
    if (now - this.tiltSent < TILT_MS) return;
    this.tiltSent = now;
    this.#send({ type: "tilt", t_ms: now, gravity, screen_deg });
  }

  close() {
    clearInterval(this.timer);
    this.channel.onmessage = null;
  }

  #tick() {
    this.#send({ type: "ping", ...this.coach?.ping(), t_ms: performance.now() });
    this.sendSetup();
    this.sendHint();
    this.sendAim();
    this.sendPlace();
    this.sendAgain();
    this.sendLook();
    this.coach?.tick((message) => this.#send(message));
    this.sendFilm();
    this.handlers.onTick(this);
    if (performance.now() - this.heard > SILENT_MS) this.handlers.onSilent();
  }

  #send(message) {
    // A full buffer means a dead link; fresh messages are worth more than queued ones.
    if (this.channel.readyState !== "open" || this.channel.bufferedAmount > 65_536) return;
    this.channel.send(JSON.stringify(message));
  }

  #receive(data) {
    const message = parse(data);
    if (!message) return;
    this.heard = performance.now();
    if (message.type === "guidance") {
      if (message.seq <= this.lastSeq) return; // overtaken on the way
      this.lastSeq = message.seq;
      this.echoedSeq = message.setup_seq;
      this.echoedHint = message.hint_seq ?? null;
      this.echoedAim = message.aim_seq ?? null;
      this.echoedPlace = message.place_seq ?? null;
      this.echoedAgain = message.again_seq ?? null;
      this.echoedLook = message.look_seq ?? null;
      this.echoedFilm = message.film_seq ?? null;
      this.handlers.onGuidance(message);
    } else if (message.type === "pong") {
      this.coach?.pong(message);
    } else if (message.type === "control") {
      this.coach?.control(message);
    } else if (message.type === "problem") {
      if (message.seq === this.setup().seq) this.refusedSeq = message.seq;
      this.handlers.onProblem(message.text, message.seq);
    } else if (message.type === "bye") {
      this.handlers.onBye(message.text);
    }
  }
}

function parse(data) {
  try {
    const message = JSON.parse(data);
    return message && typeof message === "object" ? message : null;
  } catch {
    return null;
  }
}
