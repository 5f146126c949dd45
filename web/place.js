// "Remember this place": a fixed camera is watched, and a move is told with arrow, words and sound.

import { field, make } from "./dom.js";
import { pointed, t } from "./texts.js";
import { lengthUnit } from "./units.js";

const NAME = "teesquare.place";

export class PlaceWatch {
  /** `units()` "cm" or "in"; `fetchNames()` the remembered places; `onChange` at each change. */
  constructor({ dialog, units, fetchNames, logAddress, onAgain, onChange }) {
    this.dialog = dialog;
    this.units = units;
    this.fetchNames = fetchNames;
    this.logAddress = logAddress;
    this.onAgain = onAgain; // opens the list of earlier films
    this.onChange = onChange;
    this.seq = 0;
    this.sent = null;
  }

  /** What is to be sent, null before the first word about a place. */
  message() {
    return this.sent;
  }

  get on() {
    return this.sent !== null && this.sent.do !== "stop";
  }

  stop() {
    if (this.on) this.#send("stop");
  }

  /** An alarm takes the panel; anything else leaves `view` as it is. */
  view(view, guidance) {
    const drift = this.#drift(guidance);
    if (!drift?.big?.arrow || !["off", "hold", "square", "not-found", "aim", "again", "again-hold", "same"].includes(view.kind)) {
      return view;
    }
    const { arrow, word, number, unit } = drift.big;
    return {
      kind: "drift", arrow, word, number: number || null, unit: unit || null, say: drift.text,
      hold: null,
    };
  }

  /** The line under the picture, "" while nothing is watched. */
  status(guidance) {
    const drift = this.#drift(guidance);
    if (!drift) return this.on ? t(guidance?.place_seq === this.seq ? "place.unknown" : "place.asked") : "";
    // A connection that breaks must not learn the place anew where the camera stands by then.
    if (drift.watch !== "learning") this.sent = { ...this.sent, do: "watch" };
    if (drift.big?.arrow) return ""; // the panel says it
    return t("place.status", { name: drift.name, text: drift.text });
  }

  async open() {
    let names = [];
    try {
      names = await this.fetchNames();
    } catch {
      // The dialog works without them.
    }
    this.dialog.replaceChildren(this.#form(names));
    this.dialog.showModal();
  }

  #drift(guidance) {
    return this.on && guidance?.place_seq === this.seq ? guidance.drift : null;
  }

  #send(act) {
    const before = this.sent ?? { name: "-", move_m: 0.01, turn_deg: 0.3 };
    this.seq += 1;
    this.sent = { ...before, seq: this.seq, do: act };
    this.onChange();
  }

  #form(names) {
    const [factor, unit] = lengthUnit(this.units());
    const last = this.sent ?? { move_m: 0.01, turn_deg: 0.3 };
    const form = make("form", { method: "dialog" });
    const name = make("input", { id: "place-name", value: kept(), maxLength: 40, autocomplete: "off" });
    const way = make("input", {
      id: "place-move", inputMode: "decimal", value: pointed(Math.round(last.move_m * factor * 10) / 10),
    });
    const turn = make("input", { id: "place-turn", inputMode: "decimal", value: pointed(last.turn_deg) });
    const wrong = make("p", { className: "field-problem", id: "place-problem", role: "alert" });
    const begin = (act, called) => {
      const [move_m, turn_deg] = [number(way) / factor, number(turn)];
      const good = called && move_m >= 0.001 && move_m <= 1 && turn_deg >= 0.05 && turn_deg <= 20;
      wrong.textContent = good ? "" : t("place.wrong");
      if (!good) return;
      this.sent = { name: called, move_m, turn_deg };
      keep(called);
      this.#send(act);
      this.dialog.close();
    };
    const button = (id, text, className, act) => {
      const node = make("button", { type: "button", id, className }, text);
      node.onclick = act;
      return node;
    };
    const again = button("again-open", t("again.open"), "strong", () => {
      this.dialog.close();
      this.onAgain();
    });
    form.append(
      again,
      make("h2", {}, t("place.title")),
      make("p", {}, t("place.what")),
      field("place-name", t("place.name"), name),
      field("place-move", t("place.move"), make("span", { className: "measure" }, way, unit)),
      field("place-turn", t("place.turn"), make("span", { className: "measure" }, turn, t("unit.deg"))),
      wrong,
      button("place-remember", t("place.remember"), "strong", () => begin("remember", name.value.trim())),
    );
    if (names.length) form.append(make("p", {}, t("place.again")));
    for (const known of names.slice(0, 8)) {
      form.append(button("", known, "place-known", () => begin("watch", known)));
    }
    if (this.on) {
      form.append(button("place-stop", t("place.stop"), "", () => {
        this.#send("stop");
        this.dialog.close();
      }));
    }
    const link = make("a", { href: this.logAddress(), target: "_blank", rel: "noopener" }, t("place.log"));
    form.append(link, make("button", { className: "plain" }, t("live.close")));
    return form;
  }
}

function number(input) {
  return Number(input.value.trim().replace(",", "."));
}

function kept() {
  try {
    return localStorage.getItem(NAME) ?? t("place.usual");
  } catch {
    return t("place.usual");
  }
}

function keep(name) {
  try {
    localStorage.setItem(NAME, name);
  } catch {
    // Private mode: it is typed again next time.
  }
}
