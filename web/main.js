// Puts the parts together: start screen, the one tap, the link, and what is shown at each moment.

import { AgainPlace } from "./again.js";
import { AimMode } from "./aim.js";
import { cameraObstacle, learnDevice, lensKey, lensName, longSide, openCamera, prepareTrack, smallCopy } from "./camera.js";
import { Coach } from "./control.js";
import { buildChoices, showChoices } from "./choices.js";
import { closeness, decide } from "./decide.js";
import { SettingsDialog } from "./dialog.js";
import { byId } from "./dom.js";
import { filmPlaces, placeNames } from "./earlier.js";
import { Film } from "./film.js";
import { FilmScreen } from "./film_screen.js";
import { Link } from "./link.js";
import { FirstLook } from "./look.js";
import { openNotes, showNotes } from "./notes.js";
import { Overlay } from "./overlay.js";
import { PlaceWatch } from "./place.js";
import { Problem } from "./problem.js";
import { LiveScreen, fitPicture, put, showOnly } from "./screen.js";
import { seen } from "./seen.js";
import { loadSettings, phoneId, saveSettings, toSetup } from "./settings.js";
import { Sound } from "./sound.js";
import { Marks } from "./tap.js";
import { fillTexts, loadTexts, onTexts, t } from "./texts.js";
import { requestTilt, watchTilt } from "./tilt.js";
import { readToken } from "./token.js";
import { keepAwake, letSleep } from "./wake.js";

const TICK_MS = 100;
const DEMO = new URLSearchParams(location.search).get("demo") === "1";

const app = {
  settings: loadSettings(),
  setupSeq: 1,
  setupText: "",
  token: null,
  stream: null, // the camera's full picture
  small: null, // the copy of it that is sent
  link: null,
  connection: "idle",
  connectionText: null,
  guidance: null,
  arrivedMs: 0,
  shown: null,
  problem: null,
  tilt: "unknown",
  awake: true,
};
const sound = new Sound();
let screen = null;
let marks = null;
let aim = null;
let place = null;
let again = null;
let look = null;
let coach = null;
let film = null;
let filmScreen = null;
let settingsDialog = null;
let ticker = null;
let stopTilt = () => {};
let demoSource = null;
let run = 0; // counts taps on Start, so that a late camera of an earlier one is let go

/** What a part does when it has words of its own: they are sent, and the page drawn anew. */
function told(want) {
  return () => {
    app.link?.send(want);
    render();
  };
}

/** For each want a function that gives what its part wants now. */
function messagesOf(parts) {
  return Object.fromEntries(Object.entries(parts).map(([want, part]) => [want, () => part.message()]));
}

function lens() {
  return { name: lensName(app.stream), longSide: longSide(app.small ?? app.stream), camera: lensKey(app.stream) };
}

function currentSetup() {
  const setup = toSetup(app.settings, lens());
  const text = JSON.stringify(setup);
  if (app.setupText && text !== app.setupText) app.setupSeq += 1;
  app.setupText = text;
  return { seq: app.setupSeq, setup };
}

// ---- start, stop, problems

async function start() {
  const mine = ++run;
  byId("go").disabled = true;
  put(byId("go"), t("start.starting"));
  try {
    // Everything that needs the tap itself comes before the first await.
    sound.unlock();
    const tilt = DEMO ? Promise.resolve("granted") : requestTilt();
    const obstacle = DEMO ? null : cameraObstacle();
    if (obstacle) throw obstacle;
    if (!app.token) throw new Problem("problem.no-token");
    app.tilt = await tilt;
    const stream = await openSource();
    if (mine !== run) {
      release(stream);
      return;
    }
    await learnDevice();
    app.awake = await keepAwake();
    await begin(stream);
  } catch (error) {
    if (mine === run) fail(error);
  } finally {
    byId("go").disabled = false;
    put(byId("go"), t("start.go"));
  }
}

async function openSource() {
  if (!DEMO) return openCamera(app.settings.camera);
  try {
    demoSource ??= await (await import("/demo/phone.js")).source();
  } catch (cause) {
    throw new Problem("problem.demo", { cause });
  }
  byId("demo-controls").replaceChildren(demoSource.controls);
  byId("demo-controls").hidden = false;
  demoSource.stream.getVideoTracks().forEach(prepareTrack);
  return demoSource.stream;
}

async function begin(stream) {
  await useStream(stream);
  Object.assign(app, { problem: null, guidance: null, connection: "connecting", connectionText: null });
  app.link = new Link({
    token: app.token,
    stream: app.small,
    wants: { setup: currentSetup, ...messagesOf({ hint: marks, aim, place, again, look, film }) },
    coach,
    holdOn: () => film.busy,
    handlers: {
      onState: (state, sentence) => {
        Object.assign(app, { connection: state, connectionText: sentence });
        if (state !== "live") {
          app.guidance = null;
          marks.clear(); // the phone may have moved meanwhile
          aim.again();
          look.forget();
        }
        render();
      },
      onGuidance: (message) => {
        app.guidance = message;
        app.arrivedMs = performance.now();
        marks.follow(message);
        film.hear(message);
        render();
      },
      onSetupProblem: (text) => showSetupProblem(text),
      onFatal: fail,
    },
  });
  showOnly("live");
  listenTilt();
  app.link.start();
  ticker = setInterval(render, TICK_MS);
  render();
}

async function useStream(stream) {
  app.stream = stream;
  app.small?.getTracks().forEach((track) => track.stop());
  app.small = await smallCopy(stream);
  const video = byId("video");
  video.srcObject = stream;
  video.play().catch(() => {
    // It plays by itself once the picture comes.
  });
  stream.getVideoTracks()[0].onended = () => fail(new Problem("problem.camera-ended"));
}

function listenTilt() {
  const pass = (reading) => {
    app.tilt = "granted";
    app.link?.sendTilt(reading);
  };
  if (DEMO) {
    stopTilt = demoSource.onTilt(pass) ?? (() => {});
  } else if (app.tilt === "granted") {
    stopTilt = watchTilt(pass, () => {
      // Desktop browsers have the event but no sensor; phones that stay silent block it.
      app.tilt = matchMedia("(pointer: coarse)").matches ? "silent" : "absent";
      app.link?.sendTilt({ gravity: null });
    });
  } else {
    app.link?.sendTilt({ gravity: null });
  }
}

function halt() {
  run += 1;
  clearInterval(ticker);
  stopTilt();
  stopTilt = () => {};
  app.link?.stop();
  app.link = null;
  app.connection = "idle";
  app.guidance = null;
  app.shown = null;
  marks?.clear();
  aim?.off();
  place?.stop();
  again?.stop();
  look?.forget();
  film?.stop();
  sound.stop();
  letSleep();
  app.small?.getTracks().forEach((track) => track.stop());
  app.small = null;
  if (app.stream && !DEMO) release(app.stream);
  app.stream = null;
  byId("video").srcObject = null;
}

function stop() {
  halt();
  showOnly("start");
}

function release(stream) {
  if (DEMO) return;
  for (const track of stream.getTracks()) {
    track.onended = null;
    track.stop();
  }
}

function fail(error) {
  halt();
  const problem = error instanceof Problem ? error : new Problem("problem.page", { cause: error });
  if (!(error instanceof Problem)) console.error(error);
  app.problem = problem.key;
  put(byId("problem-text"), t(problem.key));
  put(byId("problem-detail"), problem.detail ?? "");
  showOnly("problem");
}

// ---- what is shown

function render() {
  if (!app.link) return;
  const nowMs = performance.now();
  const decided = decide({
    connection: app.connection, guidance: app.guidance, arrivedMs: app.arrivedMs, nowMs,
    setupSeq: currentSetup().seq, problem: app.connectionText,
  });
  const looked = look.view(decided, app.guidance, nowMs);
  const led = again.view(aim.view(looked, app.guidance), app.guidance);
  const placed = place.view(led, app.guidance);
  const view = film.view(placed, app.guidance, nowMs);
  app.shown = screen.render(view, app.guidance, app.settings, nowMs);
  showMarks(view.kind);
  showAim(view.kind);
  put(byId("place-status"), place.status(app.guidance));
  put(byId("again-status"), again.status(app.guidance));
  byId("strip").hidden = again.show(app.guidance);
  showLook(view);
  filmScreen.render(view, app.guidance, nowMs);
  byId("place-open").setAttribute("aria-pressed", String(place.on || again.on));
  showNotes(notes());
  soundFor(view);
}

function showMarks(kind) {
  screen.overlay.showMarks(marks.taps, marks.of);
  byId("tap-clear").hidden = marks.taps.length === 0;
  byId("tap-tip").hidden = kind !== "not-found" || marks.taps.length > 0 || Boolean(app.guidance?.board);
}

function showLook(view) {
  const collecting = look.collecting(app.guidance);
  put(byId("look-status"), look.status(app.guidance, view));
  byId("look-skip").hidden = !collecting || view.kind !== "look";
  // Offered where nothing is measured yet, or no longer surely.
  byId("look-begin").hidden = collecting || app.guidance?.look?.measured !== false
    || !["off", "hold", "square"].includes(view.kind);
}

function showAim(kind) {
  const points = kind === "aim" ? app.guidance.aim.rods[0]?.points_px ?? null : null;
  screen.overlay.showAim(aim.at, aim.of, points);
  byId("aim-again").hidden = aim.at === null;
  byId("aim").setAttribute("aria-pressed", String(aim.on));
  put(byId("aim"), `${t("live.aim")} ${t(aim.on ? "live.on" : "live.off")}`);
}

function soundFor(view) {
  if (view.kind === "drift" || view.kind === "moved") sound.setMode({ kind: "alarm" });
  else if (["square", "ready"].includes(view.kind)) sound.setMode({ kind: view.kind });
  else if (view.kind === "same") sound.setMode({ kind: "square" });
  else if (view.kind.startsWith("again")) seek(again.closeness(app.guidance));
  else if (view.kind === "off" || view.kind === "hold") {
    seek(closeness(app.guidance, app.settings));
  } else sound.setMode({ kind: "quiet" });
  sound.speak(view.kind + view.arrow, app.shown.say);
}

function seek(near) {
  sound.setMode(near === null ? { kind: "quiet" } : { kind: "seek", closeness: near });
}

function notes() {
  const own = [];
  if (["refused", "absent", "silent"].includes(app.tilt)) own.push(t(`tilt.${app.tilt}`));
  if (!app.awake) own.push(t("live.awake"));
  if (sound.voiceless) own.push(t("live.voiceless"));
  return [...(app.guidance?.notes ?? []), ...own];
}

function showSetupProblem(text) {
  byId("setup-problem").hidden = !text;
  put(byId("setup-problem"), text ? t("settings.problem", { text }) : "");
  settingsDialog.showProblem(text);
}

// ---- settings

async function changeSettings(settings) {
  const otherCamera = settings.camera !== app.settings.camera;
  const otherWords = settings.language !== app.settings.language;
  app.settings = settings;
  saveSettings(settings);
  if (otherWords) await loadTexts(settings.language);
  showSettings();
  if (otherCamera && app.link && !DEMO) await changeCamera();
  if (!app.link) return;
  currentSetup();
  app.link.send("setup");
  aim.restate();
  render();
}

async function changeCamera() {
  const mine = run;
  const old = app.stream;
  try {
    release(old); // phones open one camera at a time
    const stream = await openCamera(app.settings.camera);
    if (mine !== run) return release(stream);
    await useStream(stream);
    await app.link.useStream(app.small);
  } catch (error) {
    if (mine === run) fail(error);
  }
}

function showSettings() {
  const { tone, voice } = app.settings;
  showChoices(app.settings);
  sound.toneOn = tone;
  sound.setVoice(voice);
  for (const [id, on] of [["tone", tone], ["voice", voice]]) {
    byId(id).setAttribute("aria-pressed", String(on));
    put(byId(id), `${t(`live.${id}`)} ${t(on ? "live.on" : "live.off")}`);
  }
}

// ---- once

async function boot() {
  await loadTexts(app.settings.language);
  if (DEMO) {
    byId("live").dataset.demo = "1";
    for (const node of document.querySelectorAll(".steps li")) node.dataset.text += ".demo";
  }
  fillTexts(document);
  screen = new LiveScreen(new Overlay(byId("overlay"), byId("video")));
  marks = new Marks({
    frame: byId("frame"),
    video: byId("video"),
    size: () => app.guidance?.size ?? null,
    instead: (tap, size) => aim.take(tap, size),
    onChange: told("hint"),
  });
  aim = new AimMode({
    distance: () => app.settings.aim_distance_m,
    onChange: told("aim"),
  });
  place = new PlaceWatch({
    dialog: byId("place"),
    units: () => app.settings.units,
    fetchNames: () => placeNames(app.token),
    logAddress: () => `/drift#t=${app.token}`,
    onAgain: () => again.open(),
    onChange: told("place"),
  });
  again = new AgainPlace({
    dialog: byId("again-places"),
    table: byId("again-table"),
    settings: () => app.settings,
    who: () => ({ phone: phoneId(), player: app.settings.player.trim(), bay: app.settings.bay.trim() }),
    fetchPlaces: (who) => filmPlaces(app.token, who),
    onChange: told("again"),
  });
  look = new FirstLook({ onChange: told("look") });
  film = new Film({
    stream: () => app.stream,
    about: () => ({ view: app.settings.view, player: app.settings.player, bay: app.settings.bay }),
    sound,
    video: byId("video"),
    onChange: () => {
      app.link?.send("film");
      filmScreen?.changed();
      render();
    },
  });
  filmScreen = new FilmScreen({
    film, settings: () => app.settings, running: () => Boolean(app.link), guidance: () => app.guidance,
    onDelay: (film_delay_s) => changeSettings({ ...app.settings, film_delay_s }),
  });
  settingsDialog = new SettingsDialog(byId("settings"), {
    settings: () => app.settings, lens, onChange: changeSettings,
    onLook: () => (app.link ? () => look.begin() : null),
  });
  coach = new Coach({
    settings: () => app.settings,
    change: changeSettings,
    speak: (text) => sound.call(text),
    film: {
      start: (when) => film.start(when),
      stop: () => film.stop(),
      current: () => (film.phase === "filming" ? { id: film.current.id, startedMs: film.startMs } : null),
    },
    closeDialogs: () => document.querySelectorAll("dialog[open]").forEach((dialog) => dialog.close()),
  });
  const pick = (name, value) => changeSettings({ ...app.settings, [name]: value });
  buildChoices(pick);
  onTexts(() => {
    fillTexts(document);
    buildChoices(pick);
    screen.relabel();
    again.relabel();
    filmScreen.changed();
  });
  showSettings();
  wire();
  arrive();
  film.boot();
}

function wire() {
  byId("go").onclick = start;
  byId("again").onclick = () => {
    app.token = readToken();
    start();
  };
  byId("stop").onclick = stop;
  for (const id of ["start-settings", "live-settings"]) byId(id).onclick = () => settingsDialog.open();
  for (const id of ["tone", "voice"]) {
    byId(id).onclick = () => changeSettings({ ...app.settings, [id]: !app.settings[id] });
  }
  byId("tap-clear").onclick = () => marks.clear();
  byId("place-open").onclick = () => place.open();
  byId("look-begin").onclick = () => look.begin();
  byId("look-skip").onclick = () => look.skip();
  byId("aim").onclick = () => aim.toggle();
  byId("aim-again").onclick = () => aim.again();
  byId("notes-open").onclick = () => {
    openNotes();
    showNotes(notes());
  };
  for (const change of ["resize", "loadedmetadata"]) byId("video").addEventListener(change, (event) => fitPicture(event.target));
  // A newly scanned code in the same tab changes the fragment only.
  window.addEventListener("hashchange", () => {
    if (!app.link) arrive();
  });
  window.addEventListener("pagehide", () => app.link?.stop());
  window.addEventListener("pageshow", (event) => {
    if (event.persisted) location.reload();
  });
}

/** First sight of the page: an obstacle that a tap cannot remove is said at once. */
function arrive() {
  app.token = readToken();
  const obstacle = DEMO ? null : cameraObstacle();
  if (obstacle) fail(obstacle);
  else if (!app.token) fail(new Problem("problem.no-token"));
  else showOnly("start");
}

window.teesquare = Object.freeze({
  state: () => seen(app, { marks, aim, place, again, look, film, sound, coach }),
});

boot();
