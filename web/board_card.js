// One phone on the board: what it needs in a word, a sign and a frame, and three buttons.

import { sign } from "./arrows.js";
import { maybe, t } from "./texts.js";

const LOW = 0.2; // battery
const SIGNS = { gone: "broken", left: "broken", waiting: "wait", square: "ready", near: "hold", lost: "find" };

export class Card {
  constructor(id, ask) {
    const at = (name) => `phone-${id}-${name}`;
    this.need = null;
    this.parts = {};
    const part = (tag, name) => {
      const node = document.createElement(tag);
      node.className = `phone-${name}`;
      this.parts[name] = node;
      return node;
    };
    const title = document.createElement("h3");
    title.id = at("title");
    this.title = title;
    const top = part("div", "top");
    top.append(title, part("span", "player"), part("span", "what"));
    const order = part("div", "order");
    const words = document.createElement("div");
    words.append(part("p", "word"), part("p", "for"));
    order.append(part("div", "sign"), words, part("p", "say"));
    const buttons = part("div", "do");
    for (const what of ["picture", "setup", "call"]) {
      const button = document.createElement("button");
      button.id = at(what);
      button.textContent = t(`board.${what}`);
      // "Picture, Bay 3": buttons of the same name are told apart by ear.
      button.setAttribute("aria-labelledby", `${at(what)} ${title.id}`);
      button.onclick = () => ask(what, id);
      buttons.append(button);
    }
    this.root = document.createElement("li");
    this.root.className = "phone";
    this.root.append(top, order, part("p", "facts"), buttons);
  }

  /** Shows a state; returns a sentence for the ear when its need has changed, else null. */
  show(phone, serverS) {
    const { need, big } = phone;
    const p = this.parts;
    this.root.dataset.need = need;
    this.root.dataset.phone = phone.id;
    put(this.title, t("board.bay", { bay: phone.bay }));
    put(p.player, phone.player);
    put(p.what, phone.view ? `${t(`view.short.${phone.view}`)}, ${t(`hand.short.${phone.handed}`)}` : "");
    const arrow = SIGNS[need] ?? (big.arrow || "wait");
    if (p.sign.firstChild?.dataset.sign !== arrow) p.sign.replaceChildren(sign(arrow));
    const amount = ["off", "alarm"].includes(need) && big.number ? (big.unit === "deg" ? `${big.number}${t("unit.deg")}` : `${big.number}\u00a0${big.unit}`) : "";
    put(p.word, [need === "off" && big.word ? big.word : t(`need.${need}`), amount].filter(Boolean).join(" "));
    put(p.for, t("board.for", { time: time(serverS - phone.since_s) }));
    const say = maybe(`need.${need}.say`) ?? phone.say;
    put(p.say, say);
    this.#facts(phone);
    if (need === this.need) return null;
    const first = this.need === null;
    this.need = need;
    return first ? null : `${this.title.textContent}: ${p.word.textContent}. ${say}`;
  }

  #facts(phone) {
    const facts = [];
    const strong = (text) => facts.push(make("b", "", text));
    if (phone.filming) strong(`● ${t("board.filming")}`);
    if (phone.locked) strong(t("board.locked"));
    if (phone.pending) facts.push(make("span", "", t("board.pending")));
    if (phone.battery !== null) {
      const n = Math.round(phone.battery * 100);
      const low = phone.battery <= LOW && !phone.charging;
      facts.push(make("span", low ? "low" : "", t("board.battery", { n }) + (phone.charging ? `, ${t("board.charging")}` : "")));
    }
    if (phone.signal) facts.push(make("span", "", t("board.signal", { name: phone.signal })));
    if (phone.rtt_ms >= 50) facts.push(make("span", "", t("board.rtt", { n: phone.rtt_ms })));
    if (phone.drift && phone.need !== "alarm") facts.push(make("span", "", phone.drift));
    const text = JSON.stringify(facts.map((node) => [node.className, node.textContent]));
    if (text === this.factsText) return;
    this.factsText = text;
    this.parts.facts.replaceChildren(...facts.flatMap((node, i) => (i ? [" · ", node] : [node])));
  }
}

function time(seconds) {
  const s = Math.max(0, Math.round(seconds));
  return s < 90 ? t("board.s", { n: s }) : t("board.min", { n: Math.round(s / 60) });
}

function make(tag, className, textContent) {
  return Object.assign(document.createElement(tag), { className, textContent });
}

function put(node, text) {
  if (node.textContent !== text) node.textContent = text;
}
