// What the camera promises, and what really comes: pictures a second, size, exposure.

const WINDOW_MS = 4000;
const BITS_PER_PIXEL = 0.12; // of a compressed film that still shows a club shaft; common practice

/** {told: the protocol's camera facts, bits: a second for the recorder} of a track. */
export function cameraFacts(track) {
  const { width = 0, height = 0, frameRate = 0, exposureTime } = track?.getSettings?.() ?? {};
  const known = Number.isFinite(exposureTime) && exposureTime > 0;
  // W3C Image Capture: exposureTime is in units of 100 microseconds.
  const told = {
    size: width && height ? [Math.round(width), Math.round(height)] : null,
    fps: frameRate > 0 ? frameRate : null,
    exposure_s: known ? exposureTime * 1e-4 : null,
  };
  const bits = BITS_PER_PIXEL * (width || 1280) * (height || 720) * (frameRate || 30);
  return { told, bits: Math.round(Math.min(Math.max(bits, 2.5e6), 60e6)) };
}

/** Measures the rate of a <video>'s pictures by requestVideoFrameCallback, which counts each one. */
export class FrameRate {
  constructor(video) {
    this.video = video;
    this.samples = [];
    this.fps = null;
    this.filmed = null;
    const take = (now, { presentedFrames }) => {
      this.#take(now, presentedFrames);
      video.requestVideoFrameCallback(take);
    };
    if (video?.requestVideoFrameCallback) video.requestVideoFrameCallback(take);
  }

  /** A film begins: its own rate is measured apart. */
  begin() {
    this.filmed = { from: this.samples.at(-1) ?? null, to: null };
  }

  /** The film's measured rate, null where it is not known. */
  end() {
    const { from = null, to = null } = this.filmed ?? {};
    this.filmed = null;
    return from && to ? rate(from, to) : null;
  }

  #take(atMs, count) {
    const sample = { atMs, count };
    const last = this.samples.at(-1);
    // Another camera, or a page that slept: begin anew.
    if (last && (count <= last.count || atMs - last.atMs > 1000)) this.samples = [];
    this.samples.push(sample);
    while (atMs - this.samples[0].atMs > WINDOW_MS) this.samples.shift();
    if (this.filmed) {
      this.filmed.from ??= sample;
      this.filmed.to = sample;
    }
    if (atMs - this.samples[0].atMs >= WINDOW_MS / 4) this.fps = rate(this.samples[0], sample);
  }
}

function rate(from, to) {
  const seconds = (to.atMs - from.atMs) / 1000;
  return seconds > 0.2 ? Math.round(((to.count - from.count) / seconds) * 10) / 10 : null;
}
