// Read-only window for tests: what is known and what is shown.

import { ageOf } from "./decide.js";

const OWN = ["square", "off", "not-found"]; // panels that are a verdict by themselves
const VERDICTS = { ready: "square", hold: "off" };

/** A copy of the page's state; `parts` are what sends words of its own. */
export function seen(app, { marks, aim, place, again, look, film, sound, coach }) {
  const kind = app.shown?.kind;
  return structuredClone({
    connection: app.connection,
    guidance: app.guidance,
    guidance_age_ms: app.guidance ? ageOf(app.guidance, app.arrivedMs, performance.now()) : null,
    shown: app.shown,
    instruction: app.shown?.say ?? null,
    verdict: OWN.includes(kind) ? kind : VERDICTS[kind] ?? null,
    setup_seq: app.setupSeq,
    settings: app.settings,
    problem: app.problem,
    tilt: app.tilt,
    marks: marks?.message() ?? null,
    aim: aim?.message() ?? null,
    place: place?.message() ?? null,
    again: again?.message() ?? null,
    look: look?.message() ?? null,
    film: film ? film.state() : null,
    sound: sound.mode,
    coach: { locked: coach?.locked, call: coach?.call, clock: coach?.clock.offset(performance.now()) },
  });
}
