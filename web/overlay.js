// The found rods, drawn over the live picture in the analysed picture's own coordinates.

import { t } from "./texts.js";

const PAPER = "#fffdf4";
const INK = "#0c0c0c";
const ROD = "#ffe100";
const SQUARE = "#37f06a";

export class Overlay {
  constructor(canvas, video) {
    this.canvas = canvas;
    this.video = video;
    this.context = canvas.getContext("2d");
    this.drawn = null;
    this.marks = { taps: [], size: null };
    this.aim = { at: null, size: null, points: null };
    this.observer = new ResizeObserver(() => this.#redraw());
    this.observer.observe(canvas);
  }

  /** Draws the message's rods; `square` colours them as such. */
  show(guidance, square) {
    this.drawn = { rods: guidance.rods ?? [], size: guidance.size, square };
    this.#redraw();
  }

  /** Takes the rods away: an old line on a new picture would mislead. */
  clear() {
    this.drawn = null;
    this.#redraw();
  }

  /** The marks that the person has put on the picture, in pixels of a picture of `size`. */
  showMarks(taps, size) {
    if (!taps.length && !this.marks.taps.length) return;
    this.marks = { taps, size };
    this.#redraw();
  }

  /** The tapped target, and where the rods point: pixels of pictures of `size` and the analysed. */
  showAim(at, size, points) {
    if (!at && !this.aim.at) return;
    this.aim = { at, size, points };
    this.#redraw();
  }

  #redraw() {
    const { canvas, context } = this;
    const ratio = window.devicePixelRatio || 1;
    const width = Math.round(canvas.clientWidth * ratio);
    const height = Math.round(canvas.clientHeight * ratio);
    if (canvas.width !== width || canvas.height !== height) {
      canvas.width = width;
      canvas.height = height;
    }
    context.clearRect(0, 0, width, height);
    canvas.dataset.rods = "0";
    this.#rods(width, height, ratio);
    const { taps, size } = this.marks;
    canvas.dataset.marks = String(taps.length);
    for (const [x, y] of taps) {
      this.#mark((x + 0.5) * (width / size[0]), (y + 0.5) * (height / size[1]), ratio);
    }
    canvas.dataset.aim = String(this.aim.at !== null);
    if (this.aim.at) this.#aim(width, height, ratio);
  }

  /** The line from the rod on to where it points, and the target as rings. */
  #aim(width, height, ratio) {
    const c = this.context;
    const { at, size, points } = this.aim;
    const of = this.drawn?.size;
    const rod = this.drawn?.rods[0];
    if (points && of && rod && this.#sameShape(of)) {
      const [to, ...ends] = [points, ...rod.ends_px].map(([x, y]) =>
        [(x + 0.5) * (width / of[0]), (y + 0.5) * (height / of[1])]);
      const away = ends.map(([x, y]) => Math.hypot(x - to[0], y - to[1]));
      for (const [style, line] of [[INK, 6], [SQUARE, 3]]) {
        c.strokeStyle = style;
        c.lineWidth = line * ratio;
        c.setLineDash([12 * ratio, 8 * ratio]);
        c.beginPath();
        c.moveTo(...ends[away[0] < away[1] ? 0 : 1]);
        c.lineTo(...to);
        c.stroke();
      }
      c.setLineDash([]);
    }
    const [x, y] = [(at[0] + 0.5) * (width / size[0]), (at[1] + 0.5) * (height / size[1])];
    for (const [style, line] of [[PAPER, 7], [INK, 3]]) {
      c.strokeStyle = style;
      c.lineWidth = line * ratio;
      for (const radius of [7, 15]) {
        c.beginPath();
        c.arc(x, y, radius * ratio, 0, 2 * Math.PI);
        c.stroke();
      }
    }
  }

  #rods(width, height, ratio) {
    const { canvas } = this;
    if (!this.drawn?.size || !this.#sameShape(this.drawn.size)) return;
    const scale = [width / this.drawn.size[0], height / this.drawn.size[1]];
    for (const rod of this.drawn.rods) this.#rod(rod, scale, ratio);
    canvas.dataset.rods = String(this.drawn.rods.length);
  }

  /** While the phone is being turned, message and picture differ in shape for a moment. */
  #sameShape([width, height]) {
    const { videoWidth, videoHeight } = this.video;
    if (!videoWidth || !videoHeight) return true;
    return Math.abs(Math.log((width / height) * (videoHeight / videoWidth))) < 0.1;
  }

  #rod(rod, [sx, sy], ratio) {
    const ends = rod.ends_px.map(([x, y]) => [(x + 0.5) * sx, (y + 0.5) * sy]);
    const colour = this.drawn.square ? SQUARE : ROD;
    for (const [style, width] of [[INK, 7], [colour, 4]]) {
      const c = this.context;
      c.strokeStyle = style;
      c.lineWidth = width * ratio;
      c.lineCap = "round";
      c.beginPath();
      c.moveTo(...ends[0]);
      c.lineTo(...ends[1]);
      c.stroke();
    }
    ends.forEach((end, i) => this.#end(end, rod.ends_seen?.[i] ?? false, colour, ratio));
    this.#label(t(`role.${rod.role}`), ends, ratio);
  }

  /** A seen end is a full disc, an end that is cut or hidden a ring. */
  #end([x, y], seen, colour, ratio) {
    const c = this.context;
    c.beginPath();
    c.arc(x, y, 6 * ratio, 0, 2 * Math.PI);
    c.fillStyle = seen ? colour : PAPER;
    c.fill();
    c.lineWidth = 2.5 * ratio;
    c.strokeStyle = INK;
    c.stroke();
  }

  /** Where the person has tapped: a cross in a ring, unlike any end of a rod. */
  #mark(x, y, ratio) {
    const c = this.context;
    const [inner, outer] = [5 * ratio, 16 * ratio];
    for (const [style, width] of [[INK, 7], [PAPER, 3]]) {
      c.strokeStyle = style;
      c.lineWidth = width * ratio;
      c.beginPath();
      c.arc(x, y, 12 * ratio, 0, 2 * Math.PI);
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        c.moveTo(x + dx * inner, y + dy * inner);
        c.lineTo(x + dx * outer, y + dy * outer);
      }
      c.stroke();
    }
  }

  #label(text, [[ax, ay], [bx, by]], ratio) {
    const c = this.context;
    c.font = `700 ${13 * ratio}px system-ui, sans-serif`;
    const width = c.measureText(text).width + 10 * ratio;
    const height = 19 * ratio;
    // Beside an upright rod, above a lying one, and never outside the picture.
    const upright = Math.abs(by - ay) > Math.abs(bx - ax);
    const near = upright ? 0.5 : 0.25;
    let x = ax + (bx - ax) * near + (upright ? 10 * ratio : -width / 2);
    let y = ay + (by - ay) * near - (upright ? height / 2 : height + 9 * ratio);
    x = Math.min(Math.max(2, x), this.canvas.width - width - 2);
    y = Math.min(Math.max(2, y), this.canvas.height - height - 2);
    c.fillStyle = PAPER;
    c.fillRect(x, y, width, height);
    c.fillStyle = INK;
    c.textBaseline = "middle";
    c.fillText(text, x + 5 * ratio, y + height / 2 + ratio);
  }
}
