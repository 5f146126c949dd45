// The page's own strings. Guidance sentences arrive ready-made from the server.

/** The folders of texts/, each under its own name for itself. */
export const LANGUAGES = Object.freeze({ en: "English", de: "Deutsch" });
const FILES = ["page", "board", "film", "records", "again"]; // of texts/LANGUAGE; no key in two of them
const more = []; // files asked for later
const listeners = [];
let chosen = "en";
let strings = {};

/** The language that is shown, spoken, and asked of the server. */
export function language() {
  return chosen;
}

/**
 * Loads the strings, before anything is shown and whenever another language is wanted; null: the
 * first of the browser's languages that there is, else English.
 */
export async function loadTexts(wanted = null) {
  const next = wanted in LANGUAGES ? wanted : browserLanguage();
  const loaded = await Promise.all([...FILES, ...more].map((name) => load(name, next)));
  chosen = next;
  strings = Object.assign({}, ...loaded);
  document.documentElement.lang = next;
  for (const listener of listeners) listener();
}

/** Loads one more file of the language, and keeps it with every later one. */
export async function addTexts(name) {
  if (more.includes(name)) return;
  Object.assign(strings, await load(name, chosen));
  more.push(name);
}

/** Calls back whenever other texts have come. */
export function onTexts(listener) {
  listeners.push(listener);
}

function browserLanguage() {
  const known = (navigator.languages ?? []).map((tag) => tag.toLowerCase().split("-")[0]);
  return known.find((tag) => tag in LANGUAGES) ?? "en";
}

/** English below the language's own, so that a sentence not yet translated is still said. */
async function load(name, tongue) {
  const folders = tongue === "en" ? ["en"] : ["en", tongue];
  const files = await Promise.all(folders.map(async (folder) => {
    const answer = await fetch(new URL(`./texts/${folder}/${name}.json`, import.meta.url));
    if (answer.ok) return answer.json();
    if (folder === "en") throw new Error(`texts: ${answer.status}`);
    return {};
  }));
  return Object.assign({}, ...files);
}

/** A number with the language's decimal point: `value` with so many digits after it. */
export function decimal(value, digits) {
  return pointed(value.toFixed(digits));
}

/** The same for a number that stands as it is. */
export function pointed(value) {
  return String(value).replace(".", t("number.point"));
}

/** The string of a key with {name} filled in; a missing key shows itself, so a test sees it. */
export function t(key, values = {}) {
  const text = strings[key] ?? key;
  return text.replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);
}

/** The string of a key, or null where there is none. */
export function maybe(key) {
  return strings[key] ?? null;
}

/** Fills every [data-text] below root, and the accessible name of every [data-label]. */
export function fillTexts(root) {
  for (const node of root.querySelectorAll("[data-text]")) {
    node.textContent = t(node.dataset.text);
  }
  for (const node of root.querySelectorAll("[data-label]")) {
    node.setAttribute("aria-label", t(node.dataset.label));
  }
}
