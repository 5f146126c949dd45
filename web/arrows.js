// The signs: heavy strokes on a 100 x 100 board, readable from two metres. No text in them.

const NS = "http://www.w3.org/2000/svg";

// Each: list of [path, kind]; kind "line" is stroked, "thin" stroked lighter, "fill" filled.
const RIGHT = [["M8 50H84M54 18 88 50 54 82", "line"]];
const SIGNS = {
  right: RIGHT,
  left: [["M92 50H16M46 18 12 50 46 82", "line"]],
  up: [["M50 92V16M18 46 50 12 82 46", "line"]],
  down: [["M50 8V84M18 54 50 88 82 54", "line"]],
  // Along the ground, away from and toward the person: an arrow on a lane that narrows.
  forward: [["M36 20 10 94M64 20 90 94", "thin"], ["M50 94V34M32 54 50 34 68 54", "line"]],
  back: [["M36 6 10 80M64 6 90 80", "thin"], ["M50 12V86M24 60 50 88 76 60", "line"]],
  // Seen from above: the phone turns about an upright axis.
  "turn-right": [["M14 84C14 44 40 26 80 34M58 10 84 35 54 56", "line"], ["M36 88H64", "line"]],
  "turn-left": [["M86 84C86 44 60 26 20 34M42 10 16 35 46 56", "line"], ["M36 88H64", "line"]],
  // Seen from the side: the lens looks higher or lower.
  "tilt-up": [["M24 90V34", "line"], ["M46 84C72 78 82 58 78 26M58 42 78 18 94 46", "line"]],
  "tilt-down": [["M24 10V66", "line"], ["M46 16C72 22 82 42 78 74M58 58 78 82 94 54", "line"]],
  clockwise: [["M18 62A34 34 0 1 1 66 80M72 54 64 82 92 86", "line"]],
  counterclockwise: [["M82 62A34 34 0 1 0 34 80M28 54 36 82 8 86", "line"]],
  // An upright phone and the same lying down.
  rotate: [["M12 8H42V58H12Z", "line"], ["M52 66H94V94H52Z", "line"], ["M58 24C72 26 78 34 78 50M68 42 78 52 90 42", "line"]],
  hold: [["M32 12V88M68 12V88", "line"]],
  ready: [["M0 0H100V100H0Z", "fill"], ["M20 52 42 76 82 24", "cut"]],
  find: [["M8 30V8H30M70 8H92V30M92 70V92H70M30 92H8V70", "line"], ["M28 40H72M50 40V72", "line"]],
  broken: [["M8 50H34M66 50H92M42 26 34 74M66 26 58 74", "line"]],
  film: [["M50 6A44 44 0 1 1 49.9 6Z", "line"], ["M50 28A22 22 0 1 1 49.9 28Z", "fill"]],
  wait: [["M6 40H26V60H6ZM40 40H60V60H40ZM74 40H94V60H74Z", "fill"]],
};

/** An <svg> of the named sign; an unknown name gives the viewfinder. Hidden from screen readers. */
export function sign(name) {
  const svg = document.createElementNS(NS, "svg");
  svg.setAttribute("viewBox", "-6 -6 112 112");
  svg.setAttribute("aria-hidden", "true");
  svg.dataset.sign = name in SIGNS ? name : "find";
  for (const [d, kind] of SIGNS[svg.dataset.sign]) {
    const path = document.createElementNS(NS, "path");
    path.setAttribute("d", d);
    path.setAttribute("class", `stroke-${kind}`);
    svg.append(path);
  }
  return svg;
}

/** Small drawing of a layout from above: rods heavy, lens a dot. */
export function layoutSketch(view) {
  const svg = document.createElementNS(NS, "svg");
  svg.setAttribute("viewBox", "0 0 100 60");
  svg.setAttribute("aria-hidden", "true");
  const rods = view === "face-on" ? "M14 12H86M50 12V38" : "M38 6V38M62 6V38";
  const lens = view === "face-on" ? [50, 52] : [38, 52];
  const path = document.createElementNS(NS, "path");
  path.setAttribute("d", rods);
  path.setAttribute("class", "stroke-line");
  const dot = document.createElementNS(NS, "circle");
  dot.setAttribute("cx", lens[0]);
  dot.setAttribute("cy", lens[1]);
  dot.setAttribute("r", 6);
  dot.setAttribute("class", "stroke-fill");
  svg.append(path, dot);
  return svg;
}
