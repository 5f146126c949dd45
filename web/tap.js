// Taps on the live picture: "a rod is here", at most one for each rod. Each has the analysed
// picture's own pixels; the server takes them over and says where they have gone since.

const MOST = 2;

/** The part of a box that a picture of [width, height] fills under object-fit: contain. */
export function pictureBox({ left, top, width, height }, [pictureWidth, pictureHeight]) {
  const scale = Math.min(width / pictureWidth, height / pictureHeight);
  const [w, h] = [pictureWidth * scale, pictureHeight * scale];
  return { left: left + (width - w) / 2, top: top + (height - h) / 2, width: w, height: h };
}

/**
 * The pixel of a picture of `size` under a point of the screen, null beside the picture.
 * `shown`: the size of the picture in the box, which gives its place; `size` may be a smaller copy.
 */
export function pictureXY([x, y], box, shown, size) {
  const place = pictureBox(box, shown);
  const [u, v] = [(x - place.left) / place.width, (y - place.top) / place.height];
  if (!(u >= 0 && u <= 1 && v >= 0 && v <= 1)) return null;
  return [u * size[0] - 0.5, v * size[1] - 0.5]; // (0, 0) is the middle of the first pixel
}

/** The marks with one more; beyond two, the new one takes the nearer one's place. */
export function withTap(taps, tap) {
  if (taps.length < MOST) return [...taps, tap];
  const away = taps.map(([x, y]) => Math.hypot(x - tap[0], y - tap[1]));
  const nearer = away.indexOf(Math.min(...away));
  return taps.map((old, i) => (i === nearer ? tap : old));
}

export class Marks {
  /**
   * `size()` gives the analysed picture's size or null; `onChange` is called with each change;
   * `instead(tap, size)` is true where a tap was meant for something else than a rod.
   */
  constructor({ frame, video, size, onChange, instead = () => false }) {
    this.video = video;
    this.size = size;
    this.onChange = onChange;
    this.instead = instead;
    this.seq = 0;
    this.taps = [];
    this.of = null;
    frame.addEventListener("click", (event) => {
      if (!event.target.closest("button")) this.#tap(event.clientX, event.clientY);
    });
  }

  /** What is to be sent: {seq, xy_px, size}, null before the first tap. */
  message() {
    return this.seq === 0 ? null : { seq: this.seq, xy_px: this.taps, size: this.of };
  }

  clear() {
    if (this.taps.length) this.#change([], this.of);
  }

  /** The server has taken the marks over: they are where it says, and gone when it drops them. */
  follow(guidance) {
    if (guidance.hint_seq !== this.seq || !Array.isArray(guidance.hints_px)) return;
    this.taps = guidance.hints_px;
    this.of = guidance.size;
  }

  #tap(clientX, clientY) {
    const { videoWidth, videoHeight } = this.video;
    if (!videoWidth) return;
    const shown = [videoWidth, videoHeight];
    const analysed = this.size();
    // While the phone is being turned, the analysed picture still has the old shape.
    const size = analysed && sameShape(analysed, shown) ? analysed : shown;
    const tap = pictureXY([clientX, clientY], this.video.getBoundingClientRect(), shown, size);
    if (!tap || this.instead(tap, size)) return;
    const kept = this.of && sameShape(this.of, size) ? this.taps.map((t) => moved(t, this.of, size)) : [];
    this.#change(withTap(kept, tap), size);
  }

  #change(taps, size) {
    this.taps = taps;
    this.of = size;
    this.seq += 1;
    this.onChange();
  }
}

function sameShape([w, h], [x, y]) {
  return Math.abs(Math.log((w * y) / (h * x))) < 0.05;
}

/** A pixel's place in another size of the same picture. */
function moved([x, y], [w, h], [toW, toH]) {
  if (w === toW && h === toH) return [x, y];
  return [((x + 0.5) * toW) / w - 0.5, ((y + 0.5) * toH) / h - 0.5];
}
