// What the server remembers of places, asked for with the phone's key.

import { asker } from "./token.js";

/** Names of places that are watched over days. */
export async function placeNames(token) {
  const answer = await fetch("/drift/places", { headers: asker(token) });
  return answer.ok ? (await answer.json()).places : [];
}

/** Where earlier films of this phone, player or bay were made; null where it cannot be told. */
export async function filmPlaces(token, who) {
  const answer = await fetch("/again/places", {
    method: "POST", body: JSON.stringify(who),
    headers: { ...asker(token), "Content-Type": "application/json" },
  });
  return answer.ok ? (await answer.json()).places : null;
}
