// The page's own strings. Guidance sentences arrive ready-made from the server.

export const LANGUAGE = "en";
const FILES = ["page", "board", "film", "again"]; // of texts/LANGUAGE; no key in two of them
let strings = {};

/** Loads the strings; call once before anything is shown. */
export async function loadTexts() {
  const loaded = await Promise.all(FILES.map(load));
  strings = Object.assign({}, ...loaded);
}

async function load(name) {
  const answer = await fetch(new URL(`./texts/${LANGUAGE}/${name}.json`, import.meta.url));
  if (!answer.ok) throw new Error(`texts: ${answer.status}`);
  return answer.json();
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
