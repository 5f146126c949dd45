// "Same place again": an earlier film is chosen, and the page leads the phone to where it stood.

import { make } from "./dom.js";
import { spread } from "./decide.js";
import { decimal, language, pointed, t } from "./texts.js";
import { lengthUnit } from "./units.js";

const UNDER = ["off", "hold", "square"];

export class AgainPlace {
  /**
   * `settings()` the settings, `who()` {phone, player, bay}, `fetchPlaces(who)` the earlier films,
   * `onChange()` at each change.
   */
  constructor({ dialog, table, settings, who, fetchPlaces, onChange }) {
    Object.assign(this, { dialog, table, settings, who, fetchPlaces, onChange });
    this.seq = 0;
    this.sent = null;
    this.rows = new Map();
  }

  /** What is to be sent, null before the first word. */
  message() {
    return this.sent;
  }

  /** After a change of the language: the table is built anew with the next frame. */
  relabel() {
    this.rows.clear();
    this.table.replaceChildren();
  }

  get on() {
    return this.sent !== null && this.sent.do === "lead";
  }

  stop() {
    if (this.on) this.#send({ do: "stop" });
  }

  /** The way there takes the panel where the guidance would speak of square. */
  view(view, guidance) {
    const again = this.#again(guidance);
    if (!again?.big || !UNDER.includes(view.kind)) return view;
    const { arrow, word, number, unit } = again.big;
    const kind = { same: "same" }[again.verdict] ?? (arrow === "hold" ? "again-hold" : "again");
    return { kind, arrow, word, number: number || null, unit: unit || null, say: again.say, hold: null };
  }

  /** The line under the picture, "" while nobody is led. */
  status(guidance) {
    if (!this.on) return "";
    const again = this.#again(guidance);
    if (!again) return t("again.asked");
    return again.reason ?? t("again.status", { name: again.name });
  }

  /** Near to the place, 0 (far) to 1 (there), for the tone; null when unknown. */
  closeness(guidance) {
    const rows = this.#again(guidance)?.rows ?? [];
    if (!rows.length) return null;
    const worst = Math.max(...rows.map((row) => Math.abs(row.difference) / row.tolerance));
    return Math.min(1, Math.max(0, 1 - Math.log2(Math.max(1, worst)) / 5));
  }

  /** Fills the table of what differs; true where it is shown in the stead of the strip. */
  show(guidance) {
    const rows = this.#again(guidance)?.rows ?? [];
    this.table.hidden = rows.length === 0;
    for (const row of rows) this.#row(row);
    return rows.length > 0;
  }

  async open() {
    let places = null;
    try {
      places = await this.fetchPlaces(this.who());
    } catch {
      // The dialog says so.
    }
    this.dialog.replaceChildren(this.#form(places));
    this.dialog.showModal();
  }

  #again(guidance) {
    return this.on && guidance?.again_seq === this.seq ? guidance.again : null;
  }

  #send(what) {
    this.seq += 1;
    this.sent = { seq: this.seq, ...what };
    this.onChange();
  }

  #form(places) {
    const form = make("form", { method: "dialog" },
      make("h2", {}, t("again.title")), make("p", {}, t("again.what")));
    if (!places) form.append(make("p", { className: "field-problem", role: "alert" }, t("again.failed")));
    else if (!places.length) form.append(make("p", { id: "again-none" }, t("again.none")));
    else form.append(this.#lain(), ...this.#latest(places), ...places.map((place) => this.#entry(place)));
    if (this.on) {
      form.append(this.#button("again-stop", "", () => this.#send({ do: "stop" }), t("again.stop")));
    }
    form.append(make("button", { className: "plain" }, t("live.close")));
    return form;
  }

  /** "Bay 4, face-on": the newest of this bay and view, whichever film that is. */
  #latest(places) {
    const { bay } = this.who();
    const { view } = this.settings();
    if (!bay || !places.some((place) => this.#fits(place) && place.bay === bay)) return [];
    const text = t("again.bay.latest", { bay: called(bay), view: t(`view.${view}`).toLowerCase() });
    return [this.#button("again-bay", "strong", () => this.#lead({ bay }), text)];
  }

  /** Rods that nobody has touched since then: more is known of them. */
  #lain() {
    const box = make("input", { type: "checkbox", id: "again-lain" });
    return make("label", { className: "check", htmlFor: box.id }, box, make("span", {}, t("again.lain")));
  }

  #lead(what) {
    this.#send({ do: "lead", ...what, same_rods: this.dialog.querySelector("#again-lain").checked });
  }

  #fits(place) {
    const { view, handed } = this.settings();
    return place.view === view && place.handed === handed;
  }

  #entry(place) {
    const at = new Date(place.at_s * 1000)
      .toLocaleString(language(), { dateStyle: "medium", timeStyle: "short" });
    const [far, farUnit] = lengthUnit(this.settings().units, true);
    const [near, nearUnit] = lengthUnit(this.settings().units);
    const size = t("again.entry", {
      distance: `${decimal(place.distance_m * far, 1)} ${farUnit}`,
      height: `${decimal(place.height_m * near, 0)} ${nearUnit}`,
    });
    const facts = [t(`view.${place.view}`), place.bay && called(place.bay), place.player, size];
    if (place.square) facts.push(t("again.entry.square"));
    const fits = this.#fits(place);
    if (!fits) facts.push(t("again.entry.other"));
    const button = this.#button("", "again-entry", () => this.#lead({ film: place.film }),
      make("b", {}, at), make("span", {}, facts.filter(Boolean).join(" · ")));
    button.disabled = !fits;
    button.dataset.film = place.film;
    return button;
  }

  #button(id, className, act, ...children) {
    const button = make("button", { type: "button", id, className }, ...children);
    button.onclick = () => {
      act();
      this.dialog.close();
    };
    return button;
  }

  #row(row) {
    const cells = this.rows.get(row.quantity) ?? this.#cell(row.quantity);
    const { units } = this.settings();
    const side = row.difference > 0 ? "more" : "less";
    const size = difference(row, units);
    cells.root.dataset.mark = row.mark;
    put(cells.value, size.value);
    put(cells.unit, size.unit);
    put(cells.spread, size.spread);
    put(cells.side, zero(size.value) ? "" : t(`again.${side}.${row.quantity}`));
    put(cells.both, t("again.both", places(row, units)));
    put(cells.mark, t(`again.mark.${row.mark}`));
  }

  #cell(quantity) {
    const part = (tag, className, ...children) => make(tag, { className }, ...children);
    const cells = {
      value: part("b", ""), unit: part("span", "cell-unit"), spread: part("span", "spread"),
      side: part("span", "direction"), both: part("dd", "again-both"), mark: part("span", "mark"),
    };
    cells.root = part("div", "cell", part("dt", "", t(`again.quantity.${quantity}`)),
      part("dd", "reading", part("span", "value", cells.value, cells.unit), cells.side),
      cells.both, part("dd", "verdict", cells.mark, cells.spread));
    cells.root.dataset.quantity = quantity;
    this.table.append(cells.root);
    this.rows.set(quantity, cells);
    return cells;
  }
}

/** The difference's size as strings, with no more digits than are known. */
function difference(row, units) {
  const [factor, unit] = row.unit === "deg" ? [1, t("unit.deg")] : lengthUnit(units);
  const wide = row.sigma === null ? null : spread(row.sigma) * factor;
  const digits = row.unit === "deg" || (wide !== null && wide < 1) ? 1 : 0;
  return {
    value: row.difference === null ? "–" : decimal(Math.abs(row.difference * factor), digits),
    unit, spread: wide === null ? "" : `± ${decimal(Math.max(wide, 10 ** -digits), digits)}`,
  };
}

/** Where the phone was and is: {then, now} for the texts. */
function places(row, units) {
  const far = row.quantity === "distance";
  const [factor, unit] = row.unit === "deg" ? [1, t("unit.deg")] : lengthUnit(units, far);
  const digits = far ? 2 : row.unit === "deg" ? 1 : 0;
  const at = (value) => {
    if (value === null) return "–";
    const text = (value * factor).toFixed(digits);
    return pointed(zero(text) ? text.replace("-", "") : text.replace("-", "−"));
  };
  return { then: at(row.then), now: at(row.now) + (row.unit === "deg" ? unit : `\u00a0${unit}`) };
}

/** "4" is told as "bay 4"; "studio" and "bay 4" speak for themselves. */
function called(bay) {
  return /^\d+$/.test(bay) ? t("again.bay", { bay }) : bay;
}

function zero(text) {
  return /\d/.test(text) && !/[1-9]/.test(text);
}

function put(node, text) {
  if (node.textContent !== text) node.textContent = text;
}
