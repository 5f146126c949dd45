// The film's own controls: the one button on the panel, its lines, and the dialog with the films.

import { byId, make } from "./dom.js";
import { put } from "./screen.js";
import { decimal, language, t } from "./texts.js";

const DELAYS_S = [0, 5, 10, 20, 30];

export class FilmScreen {
  /** `running()` whether the camera is open; `onDelay(seconds)` when another delay is chosen. */
  constructor({ film, settings, running, guidance, onDelay }) {
    Object.assign(this, { film, settings, running, guidance, onDelay });
    this.dialog = byId("films");
    this.button = byId("film-go");
    this.button.onclick = () => this.#press();
    byId("film-open").onclick = () => this.open();
    byId("start-films").onclick = () => this.open();
    this.dialog.addEventListener("close", () => this.#forget());
    this.url = null;
  }

  /** With each frame of the page. */
  render(view, guidance, nowMs) {
    const { phase } = this.film;
    const offered = ["square", "ready", "same"].includes(view.kind);
    this.button.hidden = !["count", "filming"].includes(phase) && !offered;
    this.button.toggleAttribute("data-stop", phase !== "idle");
    const delay = this.settings().film_delay_s;
    const idle = delay > 0 ? t("film.go", { s: delay }) : t("film.go.now");
    put(this.button, { count: t("film.cancel"), filming: t("film.stop") }[phase] ?? idle);
    const status = this.film.status(guidance, nowMs);
    put(byId("film-status"), status);
    byId("live").toggleAttribute("data-film", !this.button.hidden && status !== "");
    byId("stop").disabled = phase === "filming" || phase === "saving";
  }

  /** After a change of the films: the start screen's notice, the open dialog. */
  changed() {
    const [kept] = this.film.recovered;
    const time = kept ? new Date(kept.startedMs).toLocaleTimeString(language(), { hour: "2-digit", minute: "2-digit" }) : "";
    put(byId("film-kept"), kept ? t("film.kept", { time, lasts: decimal(kept.lasts_s, 0) }) : "");
    if (this.dialog.open && this.film.phase === "idle") this.#fill();
    this.film.films().then((films) => {
      byId("start-films").hidden = films.length === 0;
    });
  }

  async open() {
    await this.#fill();
    if (!this.dialog.open) this.dialog.showModal();
  }

  #press() {
    if (this.film.busy) this.film.stop();
    else this.film.start({ delayS: this.settings().film_delay_s });
  }

  async #fill() {
    const films = await this.film.films();
    this.#forget();
    const form = make("form", { method: "dialog" }, make("h2", {}, t("film.list")));
    if (this.film.trouble) form.append(make("p", { className: "field-problem", role: "alert" }, t(this.film.trouble)));
    if (this.running()) form.append(...this.#starts());
    const lines = this.guidance()?.film?.worth?.lines ?? [];
    if (lines.length) form.append(make("h3", {}, t("film.worth")), ...lines.map((line) => make("p", {}, line)));
    form.append(films.length ? make("ul", { className: "films-list" }, ...films.map((film) => this.#entry(film)))
      : make("p", {}, t("film.none")));
    form.append(make("p", { className: "small" }, t("film.private")), make("p", { className: "small" }, t("film.slow")),
      make("button", { className: "plain" }, t("live.close")));
    this.dialog.replaceChildren(form);
  }

  #starts() {
    const select = make("select", { id: "film-delay" });
    const delays = new Set([...DELAYS_S, this.settings().film_delay_s]);
    for (const s of [...delays].sort((a, b) => a - b)) {
      const label = s ? t("film.delay.s", { s }) : t("film.delay.0");
      select.append(make("option", { value: String(s), selected: s === this.settings().film_delay_s }, label));
    }
    select.onchange = () => this.onDelay(Number(select.value));
    const go = make("button", { type: "button", id: "film-start", className: "strong" }, t("film.open"));
    go.onclick = () => {
      this.dialog.close();
      if (!this.film.busy) this.film.start({ delayS: this.settings().film_delay_s });
    };
    const row = make("div", { className: "field" }, make("label", { htmlFor: "film-delay" }, t("film.delay")), select);
    return [row, go];
  }

  #entry(film) {
    const size = film.camera?.size?.join(" x ") ?? "";
    const facts = [t("film.entry", { lasts: decimal(film.lasts_s, 1), size })];
    const fps = film.camera?.measured_fps ?? film.camera?.fps;
    if (fps) facts.push(t("film.entry.rate", { fps: Math.round(fps) }));
    const at = new Date(film.startedMs).toLocaleString(language());
    const item = make("li", {},
      make("p", { className: "film-name" }, [at, film.player, film.bay].filter(Boolean).join(" · ")),
      make("p", {}, facts.join(", ")));
    item.dataset.film = film.id;
    if (film.state === "unfinished") item.append(make("p", { className: "film-mark" }, t("film.unfinished")));
    if (film.unkept) item.append(make("p", { className: "film-mark" }, t("film.unkept")));
    for (const mark of film.marks.slice(0, 3)) {
      item.append(make("p", { className: "film-mark" }, t("film.moved", { at: decimal(mark.at_s, 1), text: mark.text })));
    }
    item.append(make("div", { className: "film-acts" },
      act("film-play", t("film.play"), () => this.#play(film, item)),
      act("film-save", t("film.save"), () => this.film.save(film)),
      act("film-delete", t("film.delete"), (button) => this.#delete(film, button))));
    return item;
  }

  async #play(film, item) {
    this.#forget();
    this.url = URL.createObjectURL(await this.film.file(film));
    const video = make("video", { id: "film-player", controls: true, playsInline: true, muted: true, src: this.url });
    item.append(video);
    video.play().catch(() => {
      // The person presses play.
    });
  }

  /** Twice: a film that is gone is gone. */
  #delete(film, button) {
    if (button.dataset.sure) this.film.remove(film).then(() => this.#fill());
    else {
      button.dataset.sure = "1";
      put(button, t("film.delete.sure"));
    }
  }

  #forget() {
    byId("film-player")?.remove();
    if (this.url) URL.revokeObjectURL(this.url);
    this.url = null;
  }
}

function act(className, text, onPress) {
  const button = make("button", { type: "button", className }, text);
  button.onclick = () => onPress(button);
  return button;
}
