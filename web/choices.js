// The start screen's two choices: where it is filmed from, and the golfer's hand.

import { layoutSketch } from "./arrows.js";
import { byId } from "./dom.js";
import { ROLES } from "./settings.js";
import { t } from "./texts.js";

/** Builds both rows, anew after a change of the language; `onPick("view" | "handed", value)`. */
export function buildChoices(onPick) {
  const views = Object.keys(ROLES).map((value) => [value, [
    layoutSketch(value), span("choice-name", t(`view.${value}`)),
    span("choice-more", t(`view.${value}.rods`)),
  ]]);
  const hands = ["right", "left"].map((value) => [value, [span("choice-name", t(`hand.${value}`))]]);
  fill("pick-view", "view", views, onPick);
  fill("pick-hand", "handed", hands, onPick);
}

/** Marks what the settings say. */
export function showChoices(settings) {
  for (const name of ["view", "handed"]) {
    for (const input of document.querySelectorAll(`input[name=${name}]`)) {
      input.checked = input.value === settings[name];
    }
  }
}

function fill(id, name, choices, onPick) {
  const row = byId(id);
  row.replaceChildren();
  for (const [value, parts] of choices) {
    const input = Object.assign(document.createElement("input"), {
      type: "radio", name, value, id: `${name}-${value}`,
    });
    input.onchange = () => onPick(name, value);
    const label = document.createElement("label");
    label.htmlFor = input.id;
    label.append(...parts);
    row.append(input, label);
  }
}

function span(className, textContent) {
  return Object.assign(document.createElement("span"), { className, textContent });
}
