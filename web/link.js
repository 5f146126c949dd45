// The link to the computer: WHIP session plus guidance channel, remade by itself when it breaks.

import { GuidanceChannel } from "./channel.js";
import { Problem } from "./problem.js";
import { WhipSession } from "./whip.js";

// Short to the end: a phone that stands alone two metres away must be back soon after the server.
const BACKOFF_MS = [500, 750, 1000, 1500];
const OPEN_MS = 10_000; // from the start of an attempt to the open channel

/**
 * Handlers: onState("connecting" | "live" | "reconnecting", sentence | null), onGuidance(message),
 * onSetupProblem(text | null), onFatal(Problem). `wants`: as the channel's. `holdOn()`: while it is
 * true, a refusal is no end: it is tried again.
 */
export class Link {
  constructor({ token, stream, wants, coach, holdOn = () => false, handlers }) {
    this.token = token;
    this.stream = stream;
    this.wants = wants;
    this.coach = coach;
    this.holdOn = holdOn;
    this.handlers = handlers;
    this.attempt = 0;
    this.tiltAbsent = false;
    this.stopped = false;
    this.session = null;
    this.channel = null;
    this.retryNow = () => {
      if (this.retryTimer && document.visibilityState === "visible") this.#connect();
    };
  }

  start() {
    window.addEventListener("online", this.retryNow);
    document.addEventListener("visibilitychange", this.retryNow);
    this.handlers.onState("connecting", null);
    this.#connect();
  }

  stop() {
    this.stopped = true;
    window.removeEventListener("online", this.retryNow);
    document.removeEventListener("visibilitychange", this.retryNow);
    this.#drop();
  }

  /** Sends at once what has changed of one want. */
  send(want) {
    this.channel?.send(want);
  }

  sendTilt(reading) {
    this.tiltAbsent = reading.gravity === null;
    this.channel?.sendTilt(reading);
  }

  /** Another camera's picture over the same session. */
  async useStream(stream) {
    this.stream = stream;
    await this.session?.replaceTrack(stream.getVideoTracks()[0]);
  }

  async #connect() {
    this.#drop();
    let session = null;
    const lost = () => {
      if (session === this.session) this.#again(null);
    };
    session = new WhipSession({
      token: this.token,
      onChannel: (channel) => this.#adopt(channel, session),
      onLost: lost,
    });
    this.session = session;
    this.openTimer = setTimeout(lost, OPEN_MS);
    try {
      await session.connect(this.stream);
    } catch (error) {
      if (session !== this.session || this.stopped) return;
      if (error instanceof Problem && error.final && !this.holdOn()) this.#fatal(error);
      else this.#again(error instanceof Problem ? error.detail : null);
    }
  }

  #adopt(channel, session) {
    if (session !== this.session || channel.label !== "guidance") return;
    const lost = () => {
      if (session === this.session) this.#again(null);
    };
    channel.addEventListener("close", lost);
    this.channel = new GuidanceChannel(channel, {
      wants: this.wants,
      coach: this.coach,
      onOpen: () => {
        clearTimeout(this.openTimer);
        this.handlers.onState("live", null);
      },
      onTick: (open) => {
        if (this.tiltAbsent) open.sendTilt({ gravity: null });
      },
      onPace: (fps) => session.pace(fps),
      onGuidance: (message) => {
        this.attempt = 0;
        this.handlers.onGuidance(message);
        if (message.setup_seq === this.wants.setup().seq) this.handlers.onSetupProblem(null);
      },
      onProblem: (text) => this.handlers.onSetupProblem(text),
      onBye: (text) => this.#again(text),
      onSilent: lost,
    });
  }

  #again(sentence) {
    this.#drop();
    if (this.stopped) return;
    this.handlers.onState("reconnecting", sentence);
    const wait = BACKOFF_MS[Math.min(this.attempt, BACKOFF_MS.length - 1)];
    this.attempt += 1;
    this.retryTimer = setTimeout(() => this.#connect(), wait);
  }

  #fatal(problem) {
    this.stop();
    this.handlers.onFatal(problem);
  }

  #drop() {
    clearTimeout(this.openTimer);
    clearTimeout(this.retryTimer);
    this.retryTimer = null;
    this.channel?.close();
    this.channel = null;
    const session = this.session;
    this.session = null;
    session?.close();
  }
}
