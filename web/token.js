// The access token: from the address's fragment into sessionStorage, out of sight.

import { language } from "./texts.js";

const KEY = "teesquare.token";

/** The token of this tab, or null. A new one in the fragment replaces the stored one. */
export function readToken() {
  const given = new URLSearchParams(location.hash.slice(1)).get("t");
  if (given) {
    remember(given);
    // Out of the address bar and the history; a reload finds it in sessionStorage.
    history.replaceState(null, "", location.pathname + location.search);
    return given;
  }
  return recall();
}

/** The headers of a request: the token, and the language in which a refusal is to be told. */
export function asker(token) {
  return { Authorization: `Bearer ${token}`, "Accept-Language": language() };
}

let memory = null; // for browsers that forbid storage

function remember(token) {
  memory = token;
  try {
    sessionStorage.setItem(KEY, token);
  } catch {
    // Private mode: it lasts until the page is left.
  }
}

function recall() {
  try {
    return sessionStorage.getItem(KEY) ?? memory;
  } catch {
    return memory;
  }
}
