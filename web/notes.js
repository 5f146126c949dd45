// The notes: how many there are, and a dialog that stays true while it is open.

import { byId } from "./dom.js";
import { put } from "./screen.js";
import { t } from "./texts.js";

export function openNotes() {
  byId("notes").dataset.notes = "";
  byId("notes").showModal();
}

/** Counts the notes on the button, and renews the dialog where it is open and they changed. */
export function showNotes(list) {
  put(byId("notes-open"), list.length ? t("live.notes.count", { n: list.length }) : t("live.notes"));
  const dialog = byId("notes");
  const text = JSON.stringify(list);
  if (!dialog.open || dialog.dataset.notes === text) return;
  dialog.dataset.notes = text;
  const close = Object.assign(line("button", t("live.close")), { className: "strong" });
  close.onclick = () => dialog.close();
  dialog.replaceChildren(line("h2", t("live.notes.title")),
    ...(list.length ? list : [t("live.notes.none")]).map((note) => line("p", note)),
    Object.assign(line("p", t("live.legend")), { className: "small" }), close);
}

function line(tag, textContent) {
  return Object.assign(document.createElement(tag), { textContent });
}
