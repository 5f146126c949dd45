// The coach's page of films: search, the list, pictures, reports, exports, deleting.

import { byId, make } from "./dom.js";
import { loadSettings } from "./settings.js";
import { decimal, fillTexts, language, loadTexts, t } from "./texts.js";
import { asker, readToken } from "./token.js";

const FIELDS = { text: "find-text", player: "find-player", bay: "find-bay", view: "find-view", from: "find-from", to: "find-to" };
const VIEWS = ["face-on", "down-the-line"];
const Z95 = 1.96; // "±" holds 19 times out of 20

const page = { token: null, films: [], chosen: new Set(), shots: new Map(), report: null, asked: 0 };

/** Answers; throws an Error with a sentence for whatever the server refuses. */
async function request(path, options = {}) {
  const headers = { ...asker(page.token), ...options.headers };
  let answer;
  try {
    answer = await fetch(path, { ...options, headers });
  } catch (error) {
    throw new Error(t("records.gone", { text: error.message }));
  }
  if (!answer.ok) {
    const { detail } = await answer.json().catch(() => ({}));
    throw new Error(t("records.refused", { text: detail ?? String(answer.status) }));
  }
  return answer;
}

const post = (path, body) => request(path, {
  method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body),
});

function say(text, wrong = false) {
  byId("records-said").dataset.wrong = String(wrong);
  byId("records-said").textContent = text;
}

/** Does it, and says so where it failed; gives whether it was done. */
async function attempt(act) {
  try {
    await act();
    return true;
  } catch (error) {
    say(error.message, true);
    return false;
  }
}

function query() {
  const asked = new URLSearchParams();
  for (const [key, id] of Object.entries(FIELDS)) {
    const value = byId(id).value;
    if (value.trim()) asked.set(key, value);
  }
  return asked;
}

// ---- the list

async function load(after = "") {
  const asked = ++page.asked;
  await attempt(async () => {
    const found = await (await request(`/records/list?${query()}`)).json();
    if (asked !== page.asked) return; // a later search is under way
    page.films = found.films;
    page.chosen = new Set([...page.chosen].filter((id) => found.films.some(({ film }) => film === id)));
    const n = found.films.length;
    const count = found.more ? t("records.more", { n }) : t(n === 1 ? "records.count.one" : "records.count", { n });
    say(after ? `${after} ${count}.` : count);
    byId("records-none").hidden = n > 0;
    byId("records-unread").hidden = found.unread.length === 0;
    byId("records-unread").textContent = found.unread.length
      ? t("records.unread", { n: found.unread.length, why: found.unread[0].why }) : "";
    fill();
  });
}

function fill() {
  watcher.disconnect();
  for (const [film, url] of page.shots) {
    if (page.films.some((one) => one.film === film)) continue;
    URL.revokeObjectURL(url);
    page.shots.delete(film);
  }
  byId("films").replaceChildren(...page.films.map(card));
  chosen();
}

function card(film) {
  const name = who(film);
  const item = make("li", { className: "film" });
  Object.assign(item.dataset, { film: film.film, verdict: film.verdict, moved: String(film.moved_s !== null) });
  const shot = film.still ? act("film-shot", t("records.busy"), name, () => picture(film, name))
    : make("p", { className: "film-shot" }, t("records.picture.none"));
  if (film.still) shot.setAttribute("aria-label", `${t("records.picture")}: ${name}`);
  const when = new Date(film.begun_s * 1000).toLocaleString(language(), { dateStyle: "medium", timeStyle: "short" });
  const heading = make("h2", {}, bdi(film.player || t("records.noname")));
  if (film.bay) heading.append(" · ", bdi(film.bay));
  heading.append(` · ${when}`);
  const facts = [t(`view.short.${film.view}`), t(`hand.short.${film.handed}`)];
  if (film.lasts_s !== null) facts.push(t("records.lasts", { s: decimal(film.lasts_s, 0) }));
  item.append(shot, heading, make("p", { className: "film-what" }, facts.join(", ")), told(film), acts(film, name));
  if (film.still) watcher.observe(item);
  return item;
}

function told(film) {
  const line = make("p", { className: "film-told" }, badge(t(`verdict.${film.verdict}`), film.verdict));
  if (film.moved_s !== null) line.append(" ", badge(t("records.moved"), "alarm"));
  if (film.unfinished) line.append(" ", badge(t("records.unfinished"), "unfinished"));
  const { placement, sigma } = film;
  if (placement) {
    line.append(" ", t("records.off", {
      offset: decimal(Math.abs(placement.offset_m * 100), 1), offset_spread: decimal(Z95 * sigma.offset_m * 100, 1),
      side: t(placement.offset_m >= 0 ? "records.right" : "records.left"),
      yaw: decimal(Math.abs(placement.yaw_deg), 1), yaw_spread: decimal(Z95 * sigma.yaw_deg, 1),
      turn: t(placement.yaw_deg >= 0 ? "records.right" : "records.left"),
    }));
  }
  return line;
}

function acts(film, name) {
  const choose = make("input", { type: "checkbox", className: "film-chosen", checked: page.chosen.has(film.film) });
  choose.setAttribute("aria-label", `${t("records.choose")}: ${name}`);
  choose.onchange = () => {
    if (choose.checked) page.chosen.add(film.film);
    else page.chosen.delete(film.film);
    chosen();
  };
  const label = make("label", { className: "film-choose" }, choose, t("records.reports"));
  const session = new URLSearchParams({ player: film.player, bay: film.bay, from: film.day, to: film.day });
  const row = make("div", { className: "records-acts" }, label,
    act("film-report", t("records.report"), name, () => report(new URLSearchParams({ film: film.film }))),
    act("film-session", t("records.session"), name, () => report(session)),
    act("film-delete", t("records.delete"), name, () => confirm(
      t("records.delete.title"), t("records.delete.say", { what: name }),
      () => post("/records/delete", { film: film.film }))));
  if (film.player) {
    row.append(act("film-forget", t("records.forget"), name, () => confirm(
      t("records.forget.title", { name: film.player }), t("records.forget.say", { name: film.player }),
      () => post("/records/forget", { player: film.player }))));
  }
  return row;
}

const who = (film) => [film.player || t("records.noname"), film.bay || t("records.nobay"),
  new Date(film.begun_s * 1000).toLocaleString(language())].join(", ");

function chosen() {
  const n = page.chosen.size;
  byId("report-chosen").disabled = n === 0;
  byId("report-chosen").textContent = n ? t("records.chosen", { n }) : t("records.chosen.none");
}

// ---- pictures, asked for when their film comes into sight

const watcher = new IntersectionObserver((entries) => {
  for (const { isIntersecting, target } of entries) {
    if (!isIntersecting) continue;
    watcher.unobserve(target);
    attempt(async () => {
      const image = make("img", { src: await shotOf(target.dataset.film), alt: "" });
      target.querySelector(".film-shot").replaceChildren(image);
    });
  }
}, { rootMargin: "200px" });

async function shotOf(film) {
  if (!page.shots.has(film)) {
    const answer = await request(`/records/still?${new URLSearchParams({ film })}`);
    page.shots.set(film, URL.createObjectURL(await answer.blob()));
  }
  return page.shots.get(film);
}

function picture(film, name) {
  attempt(async () => {
    const image = make("img", { src: await shotOf(film.film), alt: t("records.picture.alt") });
    open(make("form", { method: "dialog" }, make("h2", { id: "ask-title" }, bdi(name)), image,
      ends(make("button", { id: "ask-close" }, t("records.close")))), true);
  });
}

// ---- reports and exports

/** The window is opened at the press itself: later, browsers take it for an advertisement. */
function report(asked) {
  const opened = window.open("about:blank");
  say(t("records.busy"));
  attempt(async () => {
    const html = await (await request(`/records/report?${asked}`)).blob();
    if (page.report) URL.revokeObjectURL(page.report);
    page.report = URL.createObjectURL(html);
    const save = byId("report-save");
    Object.assign(save, { href: page.report, download: "teesquare-report.html", hidden: false });
    if (opened) opened.location = page.report;
    else save.focus();
    say(t("records.made"));
  }).then((done) => {
    if (!done) opened?.close();
  });
}

function save(kind) {
  attempt(async () => {
    const asked = query();
    asked.set("format", kind);
    const file = await (await request(`/records/export?${asked}`)).blob();
    const url = URL.createObjectURL(file);
    const name = `teesquare-films.${kind}`;
    make("a", { href: url, download: name }).click();
    setTimeout(() => URL.revokeObjectURL(url), 60_000);
    say(t("records.exported", { file: name }));
  });
}

// ---- deleting

function confirm(title, text, act) {
  const sure = make("button", { type: "button", id: "ask-sure" }, t("records.sure"));
  const keep = make("button", { id: "ask-keep", className: "strong", autofocus: true }, t("records.keep"));
  sure.onclick = async () => {
    sure.disabled = true; // once is enough
    byId("ask").close();
    let said = "";
    const done = await attempt(async () => {
      said = (await (await act()).json()).text.join(" ");
    });
    const before = byId("records-said").textContent;
    await load(said);
    if (!done) say(before, true); // the list is anew, the trouble stays said
    byId("records-said").scrollIntoView({ block: "nearest" });
  };
  open(make("form", { method: "dialog" }, make("h2", { id: "ask-title" }, title),
    make("p", {}, text), ends(keep, sure)));
}

function open(form, wide = false) {
  const dialog = byId("ask");
  dialog.className = wide ? "wide" : "";
  dialog.replaceChildren(form);
  dialog.showModal();
}

// ---- small things

function act(className, text, name, onPress) {
  const button = make("button", { type: "button", className }, text);
  button.setAttribute("aria-label", `${text}: ${name}`); // begins with what is seen (WCAG 2.5.3)
  button.onclick = onPress;
  return button;
}

const badge = (text, kind) => {
  const node = make("b", {}, text);
  node.dataset.kind = kind;
  return node;
};

/** A name from right to left turns nothing else around. */
const bdi = (text) => make("bdi", {}, text);

const ends = (...buttons) => make("div", { className: "dialog-end" }, ...buttons);

async function boot() {
  await loadTexts(loadSettings().language);
  fillTexts(document);
  page.token = readToken();
  byId("find-view").append(new Option(t("records.any"), ""), ...VIEWS.map((v) => new Option(t(`view.short.${v}`), v)));
  chosen();
  byId("records-find").onsubmit = (event) => {
    event.preventDefault();
    load();
  };
  byId("find-clear").onclick = () => {
    byId("records-find").reset();
    load();
  };
  byId("report-chosen").onclick = () => report(new URLSearchParams([...page.chosen].map((film) => ["film", film])));
  byId("export-csv").onclick = () => save("csv");
  byId("export-json").onclick = () => save("json");
  if (page.token) load();
  else say(t("board.no-key"), true);
}

boot();
