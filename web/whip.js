// WHIP client (RFC 9725): one POST with all candidates, media up, guidance channel down.

import { Problem } from "./problem.js";
import { asker } from "./token.js";

const MAX_BITRATE = 2_500_000;
const GATHER_MS = 1500;
const ANSWER_MS = 10_000;

/** One WHIP session. `onChannel(dataChannel)`, `onLost()` at most once, after connect(). */
export class WhipSession {
  constructor({ token, onChannel, onLost }) {
    this.token = token;
    this.onLost = onLost;
    this.fps = null; // pictures a second that the server has asked for
    this.url = null;
    this.etag = null;
    this.closed = false;
    this.graceTimer = null;
    // No STUN: the default of some browsers would reach out to the internet.
    this.pc = new RTCPeerConnection({ iceServers: [] });
    this.pc.ondatachannel = (event) => onChannel(event.channel);
    this.pc.onconnectionstatechange = () => this.#watch();
  }

  /** Offers the stream's video and applies the answer. Throws Problem. */
  async connect(stream) {
    const track = stream.getVideoTracks()[0];
    const video = this.pc.addTransceiver(track, {
      direction: "sendonly",
      streams: [stream],
      sendEncodings: [{ maxBitrate: MAX_BITRATE }],
    });
    this.sender = video.sender;
    // Never used: it only puts m=application into the offer, so that the server can open its
    // own channel. Negotiated, so no message is sent for it; 100 is clear of the server's ids.
    this.pc.createDataChannel("offer", { negotiated: true, id: 100 });
    await this.pc.setLocalDescription();
    await keepResolution(this.sender);
    await gathered(this.pc);
    const answer = await this.#post(this.pc.localDescription.sdp);
    if (this.closed) return;
    await this.pc.setRemoteDescription({ type: "answer", sdp: answer });
    await keepResolution(this.sender);
  }

  /** Sends another camera's picture over the same connection. */
  async replaceTrack(track) {
    await this.sender.replaceTrack(track);
  }

  /** Sends no more pictures a second than that, each as large as before. */
  async pace(fps) {
    if (fps === this.fps || !this.sender || this.closed) return;
    this.fps = fps;
    const parameters = this.sender.getParameters();
    for (const encoding of parameters.encodings ?? []) encoding.maxFramerate = fps;
    try {
      await this.sender.setParameters(parameters);
    } catch {
      this.fps = null; // asked again with the next word; some browsers send on as they did
    }
  }

  /** Ends the session here and, if it can be reached, on the server. */
  close() {
    if (this.closed) return;
    this.closed = true;
    clearTimeout(this.graceTimer);
    this.pc.close();
    if (this.url) {
      fetch(this.url, { method: "DELETE", headers: this.#headers(), keepalive: true }).catch(() => {
        // The server is gone; it notices the missing pings by itself.
      });
    }
  }

  #headers(more = {}) {
    return this.token ? { ...asker(this.token), ...more } : more;
  }

  async #post(sdp) {
    let response;
    try {
      response = await fetch("/whip", {
        method: "POST",
        headers: this.#headers({ "Content-Type": "application/sdp" }),
        body: sdp,
        signal: AbortSignal.timeout(ANSWER_MS),
      });
    } catch (cause) {
      throw new Problem("state.reconnecting.say", { final: false, cause });
    }
    if (response.status !== 201) throw await refusal(response);
    this.url = new URL(response.headers.get("Location"), response.url).href;
    return response.text();
  }

  #watch() {
    const state = this.pc.connectionState;
    clearTimeout(this.graceTimer);
    if (state === "failed" || state === "closed") this.#lost();
    // Wi-Fi hiccups mend themselves: give "disconnected" a moment.
    if (state === "disconnected") this.graceTimer = setTimeout(() => this.#lost(), 3000);
  }

  #lost() {
    if (!this.closed) this.onLost();
  }
}

async function refusal(response) {
  const detail = await problemDetail(response);
  if (response.status === 401) {
    // RFC 6750: invalid_token tells an expired or unknown key from a missing one.
    const expired = /invalid_token/.test(response.headers.get("WWW-Authenticate") ?? "");
    return new Problem(expired ? "problem.expired-token" : "problem.bad-token", { detail });
  }
  // 4xx will be refused again; 429 and 5xx may pass.
  const final = response.status < 500 && response.status !== 429;
  return new Problem("problem.refused", { detail, final });
}

async function problemDetail(response) {
  try {
    return (await response.json()).detail ?? null; // RFC 9457
  } catch {
    return null;
  }
}

/** Thin rods must stay sharp: lower the frame rate rather than the size. */
async function keepResolution(sender) {
  const parameters = sender.getParameters();
  parameters.degradationPreference = "maintain-resolution";
  for (const encoding of parameters.encodings ?? []) encoding.maxBitrate = MAX_BITRATE;
  try {
    await sender.setParameters(parameters);
  } catch {
    // Browsers that lack the preference still stream.
  }
}

function gathered(pc) {
  if (pc.iceGatheringState === "complete") return Promise.resolve();
  return new Promise((resolve) => {
    const timer = setTimeout(resolve, GATHER_MS);
    pc.addEventListener("icegatheringstatechange", () => {
      if (pc.iceGatheringState !== "complete") return;
      clearTimeout(timer);
      resolve();
    });
  });
}
