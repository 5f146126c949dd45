// The guidance channel. Messages may be lost: pings and setups repeat, guidance just comes again.

const PING_MS = 500;
const TILT_MS = 50; // at most 20 a second, and no more often than pictures are asked for
const SILENT_MS = 2000; // neither pong nor guidance for so long: the server is gone

// What the page wants, each {seq, …}; guidance says as `setup_seq` and so on what was heard last.
const WANTS = ["setup", "hint", "aim", "place", "again", "look", "film"];

/**
 * Speaks the protocol over one RTCDataChannel. `wants`: a function for each of `WANTS` that gives
 * what is wanted now (docs/protocol.md) or null; `setup` must be there.
 */
export class GuidanceChannel {
  constructor(channel, { wants, coach = null, onOpen, onTick, onPace, onGuidance, onProblem, onBye, onSilent }) {
    this.channel = channel;
    this.wants = wants;
    this.coach = coach; // web/control.js
    coach?.fresh();
    this.handlers = { onTick, onPace, onGuidance, onProblem, onBye, onSilent };
    this.lastSeq = -1;
    this.heardSeq = {}; // of each want: the last number that came back
    this.refusedSeq = null;
    this.tiltSent = -Infinity;
    this.tiltMs = TILT_MS;
    this.walking = false; // a first look is being taken, in which the phone turns quickly
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

  /** Sends what has changed at once instead of with the next ping; repeated until it is heard. */
  send(want) {
    const now = this.wants[want]?.();
    if (!now || now.seq === this.heardSeq[want]) return;
    if (want === "setup" && now.seq === this.refusedSeq) return;
    this.#send({ type: want, ...now });
  }

  /** A tilt reading ({gravity, screen_deg}), thinned; `gravity` null says there is none. */
  sendTilt({ gravity, screen_deg = 0 }) {
    const now = performance.now();
    if (gravity === null) {
      this.#send({ type: "tilt", gravity: null });
      return;
    }
    if (now - this.tiltSent < (this.walking ? TILT_MS : this.tiltMs)) return;
    this.tiltSent = now;
    this.#send({ type: "tilt", t_ms: now, gravity, screen_deg });
  }

  close() {
    clearInterval(this.timer);
    this.channel.onmessage = null;
  }

  #tick() {
    this.#send({ type: "ping", ...this.coach?.ping(), t_ms: performance.now() });
    for (const want of WANTS) this.send(want);
    this.coach?.tick((message) => this.#send(message));
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
      for (const want of WANTS) this.heardSeq[want] = message[`${want}_seq`] ?? null;
      this.walking = ["over", "back"].includes(message.look?.phase);
      this.handlers.onGuidance(message);
    } else if (message.type === "pong") {
      this.coach?.pong(message);
      if (message.fps > 0) {
        this.tiltMs = Math.max(TILT_MS, 1000 / message.fps);
        this.handlers.onPace(message.fps);
      }
    } else if (message.type === "control") {
      this.coach?.control(message);
    } else if (message.type === "problem") {
      if (message.seq === this.wants.setup().seq) this.refusedSeq = message.seq;
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
