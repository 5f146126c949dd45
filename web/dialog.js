// The settings dialog: built from the texts, filled from the settings, checked as it is typed.

import { listCameras } from "./camera.js";
import { byId, field, make } from "./dom.js";
import { CLUB_LENGTH_M, ROLES, STICK_LENGTH_M, forgetSettings } from "./settings.js";
import { LANGUAGES, onTexts, pointed, t } from "./texts.js";
import { farUnit, fromField, lengthUnit, toField } from "./units.js";

/** Opens over the page; `onChange(settings)` after every usable change. */
export class SettingsDialog {
  constructor(dialog, { settings, lens, onChange, onLook = () => null }) {
    this.dialog = dialog;
    this.settings = settings; // () => the settings now
    this.lens = lens; // () => {name}
    this.onChange = onChange;
    this.onLook = onLook; // () => what begins a first look, null while there is no picture
    this.problem = null;
    onTexts(() => {
      if (this.dialog.open) this.#fill();
    });
  }

  async open() {
    await this.#fill();
    this.dialog.showModal();
  }

  /** The server's sentence about settings that it could not use; null takes it away. */
  async showProblem(text) {
    if (text === this.problem) return;
    this.problem = text;
    if (this.dialog.open) await this.#fill();
  }

  async #fill() {
    const cameras = await listCameras();
    const focused = document.activeElement?.id;
    const scroll = this.dialog.scrollTop;
    this.dialog.replaceChildren(this.#form(cameras));
    this.dialog.scrollTop = scroll;
    if (focused) byId(focused)?.focus();
  }

  #change(edit) {
    const settings = structuredClone(this.settings());
    edit(settings);
    this.onChange(settings);
  }

  #form(cameras) {
    const s = this.settings();
    const form = make("form", { method: "dialog" });
    form.append(make("h2", {}, t("settings.title")));
    if (this.problem) {
      form.append(make("p", { className: "field-problem", role: "alert" },
        t("settings.problem", { text: this.problem })));
    }
    form.append(
      this.#radios("view", t("settings.view"), Object.keys(ROLES).map((v) => [v, t(`view.${v}`)])),
      this.#radios("handed", t("settings.hand"), ["right", "left"].map((v) => [v, t(`hand.${v}`)])),
      this.#radios("units", t("settings.units"), ["cm", "in"].map((v) => [v, t(`settings.units.${v}`)])),
      this.#select("language", t("settings.language"),
        [["", t("settings.language.auto")], ...Object.entries(LANGUAGES)]),
      group(t("settings.rods"), ...ROLES[s.view].flatMap((role) => this.#rod(role))),
      ...(s.view === "down-the-line" ? [this.#radios("line", t("settings.line"),
        ["toe", "hands", "middle"].map((v) => [v, t(`settings.line.${v}`)]))] : []),
      group(t("settings.player"),
        this.#name("player", t("settings.player.name")),
        this.#name("bay", t("settings.bay")),
        this.#length("player_height_m", t("settings.player.height"), [1, 2.3]),
        this.#select("club", t("settings.club"),
          Object.keys(CLUB_LENGTH_M).map((c) => [c, t(`club.${c}`)])),
        this.#speed("club_speed_mps", t("film.speed"), [0.5, 70])),
      group(t("settings.goal"),
        make("p", { className: "hint" }, t("settings.goal.hint")),
        this.#length("goal.height_m", t("settings.goal.height"), [0.2, 2.5], true),
        this.#length("goal.distance_m", t("settings.goal.distance"), [1, 15], true),
        this.#check("goal.framing", t("settings.goal.framing"))),
      group(t("settings.aim"), this.#far("aim_distance_m", t("settings.aim.distance"), [5, 400])),
      group(t("settings.tolerance"),
        this.#length("tolerance.offset_m", t("settings.tolerance.offset"), [0.01, 0.5]),
        this.#degrees("tolerance.yaw_deg", t("settings.tolerance.yaw"), [0.2, 15]),
        this.#degrees("tolerance.roll_deg", t("settings.tolerance.roll"), [0.2, 15]),
        this.#length("tolerance.height_m", t("settings.tolerance.height"), [0.02, 1]),
        this.#length("tolerance.distance_m", t("settings.tolerance.distance"), [0.05, 3])),
      ...this.#look(),
      group(t("settings.lens"), this.#camera(cameras), this.#focal()),
      group(t("settings.board"), this.#check("board_pictures", t("settings.board.pictures"))),
      group(t("settings.sound"),
        this.#check("tone", t("settings.tone")),
        this.#check("voice", t("settings.voice"))),
    );
    const reset = make("button", { type: "button", className: "plain" }, t("settings.reset"));
    reset.onclick = () => {
      this.onChange(forgetSettings());
      this.#fill();
    };
    form.append(make("div", { className: "dialog-end" },
      make("button", { className: "strong", id: "settings-done" }, t("settings.done")), reset));
    return form;
  }

  #look() {
    const begin = this.onLook();
    if (!begin) return [];
    const button = make("button", { type: "button", id: "settings-look" }, t("look.again"));
    button.onclick = () => {
      this.dialog.close();
      begin();
    };
    return [group(t("settings.look"), make("p", { className: "hint" }, t("settings.look.what")), button)];
  }

  #radios(key, legend, choices) {
    const row = make("div", { className: "choices" });
    for (const [value, label] of choices) {
      const id = `set-${key}-${value}`;
      const input = make("input", {
        type: "radio", name: `set-${key}`, id, value, checked: get(this.settings(), key) === value,
      });
      input.onchange = () => {
        this.#change((s) => set(s, key, value));
        this.#fill();
      };
      row.append(input, make("label", { htmlFor: id }, label));
    }
    return group(legend, row);
  }

  #rod(role) {
    const kinds = [["stick", t("rod.stick")],
      ...Object.keys(CLUB_LENGTH_M).map((c) => [c, t(`club.${c}`)]), ["own", t("rod.own")]];
    const kind = this.#select(`rods.${role}.kind`, t(`settings.rod.${role}`), kinds, (s, value) => {
      const usual = value === "stick" ? STICK_LENGTH_M : CLUB_LENGTH_M[value];
      if (usual) s.rods[role].length_m = usual;
    });
    const length = this.#length(`rods.${role}.length_m`, t("settings.length"), [0.3, 3], false, (s) => {
      s.rods[role].kind = "own";
      const select = byId(`set-rods.${role}.kind`);
      if (select) select.value = "own";
    });
    return [kind, length];
  }

  #select(key, label, choices, more = () => {}) {
    const id = `set-${key}`;
    const select = make("select", { id });
    for (const [value, text] of choices) select.append(make("option", { value }, text));
    select.value = get(this.settings(), key) ?? "";
    select.onchange = () => {
      this.#change((s) => {
        set(s, key, select.value || null);
        more(s, select.value);
      });
      this.#fill();
    };
    return field(id, label, select);
  }

  #length(key, label, [min, max], optional = false, more = () => {}) {
    const { units } = this.settings();
    const [factor, unit] = lengthUnit(units);
    return this.#number(key, label, {
      unit, optional,
      min: inward(Math.ceil, min * factor), max: inward(Math.floor, max * factor),
      value: toField(get(this.settings(), key), units),
      write: (s, text) => {
        set(s, key, fromField(text, units));
        more(s);
      },
    });
  }

  /** A distance over the range: whole metres or yards. */
  #far(key, label, [min, max]) {
    const [factor, unit] = farUnit(this.settings().units);
    const metres = get(this.settings(), key);
    const holder = this.#number(key, label, {
      unit, optional: true, min: Math.ceil(min * factor), max: Math.floor(max * factor),
      value: metres === null ? "" : Math.round(metres * factor),
      write: (s, text) => set(s, key, text === "" ? null : Number(text) / factor),
    });
    holder.append(make("span", { className: "hint" }, t("settings.aim.hint")));
    return holder;
  }

  /** A club head's speed: metres a second or miles an hour. */
  #speed(key, label, [min, max]) {
    const miles = this.settings().units === "in";
    const factor = miles ? 1 / 0.44704 : 1;
    const now = get(this.settings(), key);
    const holder = this.#number(key, label, {
      unit: t(miles ? "film.mph" : "film.mps"), optional: true,
      min: Math.ceil(min * factor), max: Math.floor(max * factor),
      value: now === null ? "" : Math.round(now * factor),
      write: (s, text) => set(s, key, text === "" ? null : Number(text) / factor),
    });
    holder.append(make("span", { className: "hint" }, t("film.speed.hint")));
    return holder;
  }

  #degrees(key, label, [min, max]) {
    return this.#number(key, label, {
      unit: t("unit.deg"), min, max, optional: false, value: get(this.settings(), key),
      write: (s, text) => set(s, key, Number(text)),
    });
  }

  /** A checked number; `write(settings, text)` gets only what lies in the range, or "". */
  #number(key, label, { unit, min, max, optional, value, write }) {
    const id = `set-${key}`;
    const note = make("span", { className: "field-problem", id: `${id}-problem` });
    const input = make("input", {
      id, type: "text", inputMode: "decimal", autocomplete: "off", value: pointed(value ?? ""),
    });
    input.setAttribute("aria-describedby", note.id);
    input.onchange = () => {
      const text = input.value.trim().replace(",", "."); // a comma is a decimal point to many
      const usable = text === "" ? optional : Number(text) >= min && Number(text) <= max;
      note.textContent = usable ? "" : t("settings.range", { min: pointed(min), max: pointed(max), unit });
      input.setAttribute("aria-invalid", String(!usable));
      if (usable) this.#change((s) => write(s, text));
    };
    return field(id, label, make("span", { className: "measure" }, input, unit), note);
  }

  #name(key, label) {
    const input = make("input", {
      id: `set-${key}`, type: "text", maxLength: 80, autocomplete: "off",
      value: get(this.settings(), key),
    });
    input.onchange = () => this.#change((s) => set(s, key, input.value.trim()));
    return field(input.id, label, input);
  }

  #check(key, label) {
    const id = `set-${key}`;
    const input = make("input", { type: "checkbox", id, checked: get(this.settings(), key) });
    input.onchange = () => this.#change((s) => set(s, key, input.checked));
    return make("label", { className: "check", htmlFor: id }, input, label);
  }

  #camera(cameras) {
    const choices = [["", t("settings.camera.auto")], ...cameras.map(({ id, label }, i) =>
      [id, label || t("settings.camera.unnamed", { n: i + 1 })])];
    return this.#select("camera", t("settings.camera"), choices);
  }

  /** One value for each lens, as the lenses of a phone differ. */
  #focal() {
    const { name } = this.lens();
    const holder = this.#number("focal", t("settings.focal"), {
      unit: "px", min: 300, max: 6000, optional: true, value: this.settings().focal_px[name],
      write: (s, text) => {
        if (text === "") delete s.focal_px[name];
        else s.focal_px[name] = Number(text);
      },
    });
    holder.append(make("span", { className: "hint" }, t("settings.focal.hint")));
    return holder;
  }
}

/** To tenths, never beyond the limit; 229.99999999999997 counts as 230. */
function inward(round, value) {
  return round(Number((value * 10).toFixed(6))) / 10;
}

function group(legend, ...children) {
  return make("fieldset", {}, make("legend", {}, legend), ...children);
}

function get(object, path) {
  return path.split(".").reduce((inner, key) => inner?.[key], object);
}

function set(object, path, value) {
  const keys = path.split(".");
  const last = keys.pop();
  keys.reduce((inner, key) => inner[key], object)[last] = value;
}
