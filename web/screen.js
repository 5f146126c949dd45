// The live screen: one instruction, the picture with its rods, the strip, the lines below.

import { sign } from "./arrows.js";
import { quantities } from "./decide.js";
import { byId } from "./dom.js";
import { decimal, maybe, t } from "./texts.js";
import { format } from "./units.js";

const ANNOUNCE_MS = 2500; // a screen reader cannot follow numbers that change with each frame

export class LiveScreen {
  constructor(overlay) {
    this.overlay = overlay;
    this.nodes = Object.fromEntries(
      ["order", "sign", "figure", "number", "unit", "word", "say", "hold", "hold-bar", "hold-text",
        "strip", "effect", "framing", "announce"].map((id) => [id, byId(id)]));
    this.cells = new Map();
    this.announced = { text: "", kind: null, atMs: -Infinity };
    this.shown = null;
    // Whoever scrolled down to a button that opens a dialog wants the instruction next, at the top.
    for (const dialog of document.querySelectorAll("dialog")) {
      dialog.addEventListener("close", () => scrollTo(0, 0));
    }
  }

  /** Shows a decision (decide.js) and, where it rests on guidance, its details. Returns what is shown. */
  render(view, guidance, settings, nowMs) {
    const fresh = ["off", "hold", "square", "not-found", "again", "again-hold", "same", "aim", "aim-tap", "drift", "look", "moved", "ready", "filming", "count", "saving"].includes(view.kind);
    const word = view.word ?? t(`state.${view.kind}.word`);
    const say = view.say ?? maybe(`state.${view.kind}.say`) ?? "";
    this.shown = {
      kind: view.kind, arrow: view.arrow, word, say, number: view.number, unit: view.unit,
    };
    this.#order(view, word, say);
    this.#strip(fresh && guidance ? guidance : null, settings);
    // What the film would show says nothing yet while the rods are being measured.
    this.#lines(fresh && view.kind !== "look" ? guidance : null);
    if (fresh && guidance) this.overlay.show(guidance, ["square", "ready", "same"].includes(view.kind));
    else this.overlay.clear();
    this.#announce(view.kind + view.arrow, say || word, nowMs);
    return this.shown;
  }

  /** After a change of the language: the strip is built anew with the next frame. */
  relabel() {
    this.cells.clear();
    this.nodes.strip.replaceChildren();
  }

  #order(view, word, say) {
    const n = this.nodes;
    n.order.dataset.kind = view.kind;
    document.body.dataset.kind = view.kind;
    if (n.sign.firstChild?.dataset.sign !== view.arrow) n.sign.replaceChildren(sign(view.arrow));
    n.figure.hidden = view.number === null;
    n.figure.dataset.digits = String(view.number?.length ?? 0);
    n.order.dataset.figure = String(view.number !== null);
    put(n.number, view.number ?? "");
    put(n.unit, view.unit === "deg" ? t("unit.deg") : (view.unit ?? ""));
    n.unit.dataset.short = String(n.unit.textContent === t("unit.deg"));
    put(n.word, word);
    n.word.dataset.long = String(word.length > 12);
    put(n.say, say);
    n.hold.hidden = !view.hold;
    if (view.hold) {
      const { square_for_s: have, need_s: need } = view.hold;
      n["hold-bar"].value = need > 0 ? Math.min(1, have / need) : 0;
      put(n["hold-text"], t("live.hold", { have: decimal(have, 1), need: decimal(need, 1) }));
    }
  }

  #strip(guidance, settings) {
    for (const quantity of quantities(guidance, settings)) {
      const cell = this.cells.get(quantity.name) ?? this.#cell(quantity.name);
      const shown = format(quantity, settings.units);
      cell.root.dataset.mark = quantity.mark;
      put(cell.value, shown.value);
      put(cell.unit, shown.unit);
      put(cell.spread, shown.spread);
      const aside = quantity.direction && /[1-9]/.test(shown.value); // "0 cm right" says nothing
      put(cell.direction, aside ? t(`direction.${quantity.direction}`) : "");
      put(cell.mark, t(`mark.${quantity.mark}`));
    }
  }

  #cell(name) {
    const make = (tag, className, ...children) => {
      const node = document.createElement(tag);
      node.className = className;
      node.append(...children);
      return node;
    };
    const cell = {
      value: make("b", ""), unit: make("span", "cell-unit"), spread: make("span", "spread"),
      direction: make("span", "direction"), mark: make("span", "mark"),
    };
    const heading = make("dt", "", t(`quantity.${name}`));
    cell.root = make("div", "cell", heading,
      make("dd", "reading", make("span", "value", cell.value, cell.unit), cell.spread),
      make("dd", "verdict", cell.mark, cell.direction));
    cell.root.dataset.quantity = name;
    this.nodes.strip.append(cell.root);
    this.cells.set(name, cell);
    return cell;
  }

  #lines(guidance) {
    put(this.nodes.effect, guidance?.effect_text ?? "");
    const framing = guidance?.framing;
    let text = "";
    if (framing?.ok) text = t("framing.ok");
    else if (framing) text = t("framing.out", { parts: framing.out.join(", ") });
    this.nodes.framing.dataset.ok = String(framing?.ok ?? "");
    put(this.nodes.framing, text);
  }

  #announce(kind, text, nowMs) {
    const last = this.announced;
    if (text === last.text) return;
    if (kind === last.kind && nowMs - last.atMs < ANNOUNCE_MS) return;
    this.announced = { text, kind, atMs: nowMs };
    put(this.nodes.announce, text);
  }
}

/** Sets text only when it differs: no layout and no screen reader is disturbed for nothing. */
export function put(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** Fits the frame to the picture's shape, and the layout to upright or lying pictures. */
export function fitPicture(video) {
  if (!video.videoWidth) return;
  const ratio = video.videoWidth / video.videoHeight;
  byId("frame").style.setProperty("--ratio", String(ratio));
  byId("live").dataset.picture = ratio < 1 ? "tall" : "wide";
}

/** Shows one of start, live, problem. */
export function showOnly(name) {
  if (document.body.dataset.screen !== name) scrollTo(0, 0);
  for (const id of ["start", "live", "problem"]) byId(id).hidden = id !== name;
  document.body.dataset.screen = name;
  if (name !== "live") delete document.body.dataset.kind;
}
