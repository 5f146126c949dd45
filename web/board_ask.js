// The board's dialogs: set up one phone or all, call, look at the picture.

import { field, make } from "./dom.js";
import { t } from "./texts.js";

const TOLERANCES = [["offset", "offset_m", 1, 50, 100], ["yaw", "yaw_deg", 0.2, 15, 1], ["roll", "roll_deg", 0.2, 15, 1]];

function who(phone) {
  return phone ? t("board.bay", { bay: phone.bay }) : t("board.all");
}

/** What is left empty or "as it is" is not sent. */
export function setupForm({ phone, send, close }) {
  const wrong = make("p", { className: "field-problem", role: "alert" });
  const choice = (id, key, values, texts) => {
    const node = make("select", { id });
    node.append(new Option(t("boardset.keep"), ""), ...values.map((v) => new Option(t(`${texts}.${v}`), v)));
    return field(id, t(key), node);
  };
  const names = phone ? [
    field("ask-player", t("boardset.player"), make("input", { id: "ask-player", type: "text", value: phone.player, maxLength: 80, autocomplete: "off" })),
    field("ask-bay", t("boardset.bay"), make("input", { id: "ask-bay", type: "text", value: phone.bay, maxLength: 80, autocomplete: "off" })),
  ] : [];
  const limits = TOLERANCES.map(([name]) => field(`ask-${name}`, t(`boardset.${name}`),
    make("input", { id: `ask-${name}`, type: "text", inputMode: "decimal", autocomplete: "off", placeholder: t("boardset.keep") })));
  const form = make("form", { method: "dialog" },
    make("h2", { id: "ask-title" }, t("boardset.title", { who: who(phone) })),
    ...names,
    choice("ask-view", "boardset.view", ["face-on", "down-the-line"], "view.short"),
    choice("ask-hand", "boardset.hand", ["right", "left"], "hand.short"),
    make("h3", {}, t("boardset.tolerance")), ...limits, wrong,
    ends(make("button", { type: "submit", className: "strong", id: "ask-send" }, t("boardset.send")), close));
  form.onsubmit = (event) => {
    event.preventDefault();
    const value = (id) => form.querySelector(`#${id}`).value.trim();
    const setup = {};
    if (phone && value("ask-player") !== phone.player) setup.player = value("ask-player");
    if (phone && value("ask-bay") && value("ask-bay") !== phone.bay) setup.bay = value("ask-bay");
    if (value("ask-view")) setup.view = value("ask-view");
    if (value("ask-hand")) setup.handed = value("ask-hand");
    for (const [name, key, min, max, factor] of TOLERANCES) {
      const text = value(`ask-${name}`).replace(",", ".");
      if (text === "") continue;
      if (!(Number(text) >= min && Number(text) <= max)) {
        wrong.textContent = `${t(`boardset.${name}`)}: ${t("boardset.wrong", { min, max })}`;
        form.querySelector(`#ask-${name}`).focus();
        return;
      }
      setup.tolerance = { ...setup.tolerance, [key]: Number(text) / factor };
    }
    if (Object.keys(setup).length) send({ setup });
    close();
  };
  return form;
}

export function callForm({ phone, send, close }) {
  const input = make("input", { id: "ask-text", type: "text", maxLength: 200, autocomplete: "off" });
  const wrong = make("p", { className: "field-problem", role: "alert" });
  const say = (text) => {
    send({ call: text });
    close();
  };
  const ready = [["boardcall.ready"], ["boardcall.wait"]].map(([key]) => t(key));
  if (phone?.say) ready.unshift(phone.say);
  const form = make("form", { method: "dialog" },
    make("h2", { id: "ask-title" }, t("boardcall.title", { who: who(phone) })),
    field("ask-text", t("boardcall.text"), input), wrong,
    ...ready.map((text) => Object.assign(make("button", { type: "button", className: "ask-ready" }, text), { onclick: () => say(text) })),
    ends(make("button", { type: "submit", className: "strong", id: "ask-send" }, t("boardset.send")), close));
  form.onsubmit = (event) => {
    event.preventDefault();
    if (input.value.trim()) say(input.value.trim());
    else wrong.textContent = t("boardcall.empty");
  };
  return form;
}

/** The picture is asked for once, and again only by the button. */
export function stillForm({ phone, close, picture }) {
  const image = make("img", { alt: t("still.alt"), hidden: true, id: "ask-image" });
  const said = make("p", { role: "status" });
  const load = async () => {
    said.textContent = "…";
    try {
      const answer = await picture();
      if (!answer.ok) throw new Error((await answer.json()).detail);
      URL.revokeObjectURL(image.src);
      image.src = URL.createObjectURL(await answer.blob());
      image.hidden = false;
      said.textContent = "";
    } catch (error) {
      image.hidden = true; // an old picture must not pass for this moment's
      said.textContent = error.message;
    }
  };
  const again = make("button", { type: "button", className: "strong", id: "ask-again" }, t("still.again"));
  again.onclick = load;
  load();
  return make("form", { method: "dialog" },
    make("h2", { id: "ask-title" }, t("still.title", { who: who(phone) })), image, said, ends(again, close));
}

function ends(strong, close) {
  const button = make("button", { type: "button", id: "ask-close" }, t("boardset.close"));
  button.onclick = close;
  return make("div", { className: "dialog-end" }, strong, button);
}
