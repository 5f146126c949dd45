// Filming on the phone: countdown, recorder, what the server is told of it, what the panel shows.

import { holdFilm, FilmStore, StoreTrouble } from "./film_store.js";
import { fileName, recordable, toFile } from "./film_file.js";
import { FrameRate, cameraFacts } from "./film_rate.js";
import { t } from "./texts.js";

const PIECE_MS = 1000; // the most that a crash costs
const LOW_ROOM = 200e6; // bytes: below this a film of a few minutes may not fit
const SETTLES_S = 2;
const WAVERS = 0.5; // cm, inches or degrees
const SAID = [10, 5, 4, 3, 2, 1]; // seconds of the countdown that are spoken
const UNDER = ["off", "hold", "square", "again", "again-hold", "same", "not-found", "aim", "look", "moved", "drift", "stale", "waiting", "applying", "connecting", "reconnecting"];
const IDLE = { do: "idle", film: null, since_s: 0 };
const CALM = ["off", "hold", "square", "not-found", "aim", "again", "again-hold", "same"];

export class Film {
  /**
   * `stream()` the camera's full picture, `about()` {view, player, bay} of now, `sound` the page's
   * Sound, `onChange()` at each change that others must see.
   */
  constructor({ stream, about, sound, video, onChange }) {
    Object.assign(this, { stream, about, sound, onChange });
    this.store = new FilmStore();
    this.rate = new FrameRate(video);
    this.phase = "idle"; // idle | count | filming | saving
    this.trouble = null; // key of the last trouble's sentence
    this.current = null;
    this.last = null; // the film that ended last
    this.recovered = [];
    this.drift = null;
    this.marking = false;
    this.events = []; // words to the server that it has not yet answered, oldest first
    this.seq = 0;
    this.ready = false;
    this.writing = Promise.resolve();
  }

  get busy() {
    return this.phase !== "idle";
  }

  /** Finds what an earlier page left unfinished. Never throws. */
  async boot() {
    try {
      this.recovered = await this.store.recover();
    } catch (error) {
      this.#troubled(error);
    }
    // What the server has not yet been told: that these films are over.
    for (const film of this.recovered) this.#tell("lost", film);
    this.onChange();
  }

  // ---- start and stop: from the page, or from afar

  /**
   * Films after `delayS` seconds, with a countdown; `filmId` where another names the film. Of
   * `atServerMs` nothing is known here but that it is kept with the film.
   */
  async start({ delayS = 0, filmId = null, atServerMs = null } = {}) {
    if (this.busy) return;
    this.trouble = null;
    const kind = recordable();
    if (!kind) {
      this.#troubled(new StoreTrouble("film.trouble.no-recorder"));
      return;
    }
    this.phase = "count";
    this.endMs = performance.now() + delayS * 1000;
    this.saidS = null;
    this.next = { id: usable(filmId) ?? newId(), atServerMs, kind };
    this.onChange();
    try {
      await this.store.open();
      this.store.persist();
      const room = await this.store.room();
      if (room !== null && room < LOW_ROOM) this.trouble = "film.trouble.low";
    } catch (error) {
      // Filming goes on in memory: better a film that a crash would lose than none.
      this.#troubled(error);
    }
    if (this.phase !== "count") return; // stopped meanwhile
    this.#count();
  }

  /** Ends the film, or the countdown. Resolves when the film is kept. */
  async stop() {
    clearTimeout(this.timer);
    if (this.phase === "count") {
      this.phase = "idle";
      this.onChange();
    } else if (this.phase === "filming") {
      this.phase = "saving";
      const ended = this.ended;
      if (this.recorder.state !== "inactive") this.recorder.stop();
      this.onChange();
      await ended;
    }
  }

  #count() {
    const left = (this.endMs - performance.now()) / 1000;
    if (left <= 0.02) {
      this.#record();
      return;
    }
    const s = Math.ceil(left - 0.02);
    if (s !== this.saidS) {
      this.saidS = s;
      this.sound.beep(660, 0.12);
      if (SAID.includes(s)) this.sound.say(String(s));
      this.onChange();
    }
    this.timer = setTimeout(() => this.#count(), Math.max(10, (left - (s - 1)) * 1000));
  }

  #record() {
    const stream = this.stream();
    const track = stream?.getVideoTracks()[0];
    const [mime, ending] = this.next.kind;
    try {
      const bits = cameraFacts(track).bits;
      // An MP4 is written piece by piece only where a key picture begins.
      this.recorder = new MediaRecorder(stream, {
        mimeType: mime, videoBitsPerSecond: bits, videoKeyFrameIntervalDuration: PIECE_MS,
      });
      this.recorder.start(PIECE_MS);
    } catch (error) {
      this.phase = "idle";
      this.#troubled(new StoreTrouble("film.trouble.no-recorder", { cause: error }));
      return;
    }
    this.phase = "filming";
    this.startMs = performance.now();
    this.memory = [];
    this.rate.begin();
    this.current = {
      id: this.next.id, startedMs: Date.now(), lasts_s: 0, state: "filming", mime, ending, pieces: 0,
      bytes: 0, atServerMs: this.next.atServerMs, marks: [], ...this.about(), camera: this.#camera(),
    };
    const film = this.current;
    this.release = holdFilm(film.id);
    this.recorder.ondataavailable = (event) => this.#piece(film, event.data);
    this.recorder.onerror = () => this.#troubled(new StoreTrouble("film.trouble.recorder"));
    this.ended = new Promise((resolve) => {
      this.recorder.onstop = () => this.#finish(film).then(resolve);
    });
    this.sound.beep(990, 0.5);
    this.#tell("begin", film);
    this.onChange();
  }

  #piece(film, blob) {
    if (!blob?.size) return;
    const n = film.pieces;
    film.pieces += 1;
    film.bytes += blob.size;
    film.lasts_s = (performance.now() - this.startMs) / 1000;
    // All stays in memory until it is surely kept, so that a full storage loses nothing.
    this.memory.push(blob);
    const entry = structuredClone(film);
    this.writing = this.writing.then(() => {
      if (this.lost) return null;
      return this.store.add(entry, n, blob).catch((error) => {
        this.lost = true;
        this.#troubled(error);
      });
    });
  }

  async #finish(film) {
    film.lasts_s = (performance.now() - this.startMs) / 1000;
    const rate = this.rate.end();
    if (rate !== null) film.camera.measured_fps = rate;
    film.state = "done";
    await this.writing;
    if (!this.lost) {
      await this.store.put(structuredClone(film)).catch((error) => {
        this.lost = true;
        this.#troubled(error);
      });
    }
    // What could not be kept is held while the page is open, and offered for saving at once.
    this.unkept = this.lost ? { film, pieces: await buffers(this.memory) } : null;
    this.lost = false;
    this.memory = [];
    this.release();
    this.last = film;
    this.current = null;
    this.phase = "idle";
    this.#tell("end", film);
    this.sound.beep(440, 0.4);
    this.onChange();
  }

  #troubled(error) {
    this.trouble = error instanceof StoreTrouble ? error.key : "film.trouble.lost";
    this.onChange();
  }

  // ---- kept films

  /** Entries, newest first; what could not be kept comes first. */
  async films() {
    const kept = await this.store.list().catch(() => []);
    const fresh = this.unkept ? [{ ...this.unkept.film, unkept: true }] : [];
    return [...fresh, ...kept.filter((film) => film.id !== fresh[0]?.id && film.id !== this.current?.id)];
  }

  async file(film) {
    const pieces = film.unkept ? this.unkept.pieces : await this.store.pieces(film.id);
    return toFile(film, pieces);
  }

  /** Through the phone's own sheet where it takes files, else as a download. */
  async save(film) {
    const file = await this.file(film);
    if (navigator.canShare?.({ files: [file] })) {
      try {
        await navigator.share({ files: [file], title: fileName(film) });
        return;
      } catch (error) {
        if (error.name === "AbortError") return; // the person closed the sheet
      }
    }
    const url = URL.createObjectURL(file);
    Object.assign(document.createElement("a"), { href: url, download: file.name }).click();
    setTimeout(() => URL.revokeObjectURL(url), 60_000);
  }

  async remove(film) {
    if (film.unkept) this.unkept = null;
    else await this.store.remove(film.id);
    this.recovered = this.recovered.filter(({ id }) => id !== film.id);
    this.onChange();
  }

  // ---- the server

  /** The word that the server has yet to answer, or the last one; null before any. */
  message() {
    // What the camera gives is told anew when it changes, under a number of its own.
    const camera = this.#camera();
    const told = JSON.stringify([camera.size, ...[camera.fps, camera.measured_fps].map(Math.round), camera.exposure_s]);
    if (told !== this.told && !this.events.length) {
      this.told = told;
      this.seq += 1;
      this.lastEvent = { ...IDLE, ...this.lastEvent, seq: this.seq };
    }
    const event = this.events[0] ?? this.lastEvent;
    const running = event.do === "begin" && event.film === this.current?.id;
    const since_s = running ? (performance.now() - this.startMs) / 1000 : event.since_s;
    const ago_s = event.endedMs ? Math.max(0, (Date.now() - event.endedMs) / 1000) : 0;
    return { seq: event.seq, do: event.do, film: event.film, since_s, ago_s, camera };
  }

  /** What a guidance message says of films: answered words are dropped, a drift marks the film. */
  hear(guidance) {
    const answered = guidance.film_seq ?? -1;
    while (this.events[0]?.seq <= answered) this.events.shift();
    // An end that was heard is not told again: not to this server, nor to the next one.
    const told = this.lastEvent;
    if (told?.seq <= answered && told.do !== "begin") this.lastEvent = { seq: told.seq, ...IDLE };
    this.ready = guidance.film?.locked === true;
    this.drift = guidance.film?.drift ?? null;
    const moved = this.drift?.watch === "moved" || this.drift?.watch === "rods";
    const film = this.current;
    const last = film?.marks.at(-1);
    if (film && moved) {
      const at_s = (performance.now() - this.startMs) / 1000;
      const mark = { at_s, text: this.drift.text, arrow: this.drift.big.arrow, number: Number(this.drift.big.number) };
      // The first word of a move may be of its beginning: soon after, the size is set right.
      if (last && this.marking && at_s - last.at_s < SETTLES_S) Object.assign(last, mark, { at_s: last.at_s });
      else if (film.marks.length < 200 && !(this.marking && alike(last, mark))) film.marks.push(mark);
    }
    this.marking = Boolean(film && moved);
  }

  #tell(act, film) {
    this.seq += 1;
    const endedMs = act === "begin" ? null : film.startedMs + film.lasts_s * 1000;
    const event = { seq: this.seq, do: act, film: film.id, since_s: film.lasts_s, endedMs };
    this.events.push(event);
    this.lastEvent = event;
  }

  #camera() {
    return { ...cameraFacts(this.stream()?.getVideoTracks()[0]).told, measured_fps: this.rate.fps };
  }

  /** For tests: plain data only. */
  state() {
    return { phase: this.phase, said: this.message(), trouble: this.trouble, last: this.last, current: this.current, recovered: this.recovered };
  }

  // ---- what is shown

  /** Countdown, running film and alarms take the panel; anything else leaves `view` as it is. */
  view(view, guidance, nowMs) {
    if (!UNDER.includes(view.kind)) return view;
    if (this.phase === "count") {
      const number = String(Math.max(1, Math.ceil((this.endMs - nowMs) / 1000 - 0.02)));
      return panel("count", "film", t("film.count.word"), t("film.count.say"), number, "s");
    }
    const big = this.drift?.big;
    const fresh = !["stale", "connecting", "reconnecting", "waiting"].includes(view.kind);
    if (big?.arrow && fresh && (this.busy || CALM.includes(view.kind))) {
      const say = this.busy ? `${this.drift.text} ${t("film.alarm.say")}` : this.drift.text;
      return panel("drift", big.arrow, big.word, say, big.number || null, big.unit || null);
    }
    if (this.phase === "filming") {
      const s = (nowMs - this.startMs) / 1000;
      const number = `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, "0")}`;
      let say = fresh ? t(this.ready ? "film.filming.watched" : "film.filming.say") : t("film.filming.alone");
      if (this.trouble) say = t(this.trouble);
      return panel("filming", "film", t("film.filming.word"), say, number, null);
    }
    if (this.phase === "saving") return panel("saving", "wait", t("film.saving.word"), t("film.saving.say"));
    if (view.kind === "square" && this.ready) {
      return { ...view, kind: "ready", word: t("film.ready.word"), say: t("film.ready.say") };
    }
    if (view.kind === "same" && this.ready) {
      return { ...view, kind: "ready", word: t("film.ready.word"), say: t("again.ready.say") };
    }
    return view;
  }

  /** The line under the picture: trouble first, then what the film will be worth, one at a time. */
  status(guidance, nowMs) {
    if (this.trouble) return t(this.trouble);
    const lines = guidance?.film?.worth?.lines ?? [];
    return lines.length ? lines[Math.floor(nowMs / 6000) % lines.length] : "";
  }
}

/** The same move as before, but for what a measurement wavers by. */
function alike(last, mark) {
  return last?.arrow === mark.arrow && Math.abs(last.number - mark.number) < WAVERS;
}

function panel(kind, arrow, word, say, number = null, unit = null) {
  return { kind, arrow, word, number, unit, say, hold: null };
}

function newId() {
  return [...crypto.getRandomValues(new Uint8Array(12))].map((b) => b.toString(16).padStart(2, "0")).join("");
}

function usable(id) {
  return typeof id === "string" && /^[A-Za-z0-9_-]{1,64}$/.test(id) ? id : null;
}

function buffers(blobs) {
  return Promise.all(blobs.map((blob) => blob.arrayBuffer()));
}
