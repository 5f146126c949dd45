// The coach's board: every phone on one page, who needs help first, and what the coach asks of them.

import { callForm, setupForm, stillForm } from "./board_ask.js";
import { Card } from "./board_card.js";
import { byId } from "./dom.js";
import { loadSettings } from "./settings.js";
import { fillTexts, loadTexts, t } from "./texts.js";
import { asker, readToken } from "./token.js";

const AWAY_MS = 6000; // three keepalives of the server
const AGAIN_MS = 1000;
const SORT_MS = 2000; // places change at most this often …
const HAND_MS = 3000; // … and not while a hand is over them
const TICK_MS = 500;

const board = {
  token: null, phones: new Map(), cards: new Map(), lockAll: false, heardMs: -Infinity, skewS: 0,
  sortedMs: -Infinity, handMs: -Infinity, problem: null, said: null, saidMs: 0,
};

function request(path, options = {}) {
  const headers = { ...asker(board.token), ...options.headers };
  return fetch(path, { ...options, headers });
}

// ---- what the server says

async function listen() {
  for (;;) {
    try {
      const answer = await request("/board/events");
      if (!answer.ok) {
        board.problem = t("board.refused", { text: (await answer.json().catch(() => ({}))).detail ?? answer.status });
        if (answer.status < 500) return;
      } else {
        board.problem = null;
        await read(answer.body.pipeThrough(new TextDecoderStream()).getReader());
      }
    } catch {
      // The server is away: said by show(), tried again here.
    }
    await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
  }
}

async function read(reader) {
  let rest = "";
  for (;;) {
    const silent = setTimeout(() => reader.cancel(), AWAY_MS);
    const { done, value } = await reader.read();
    clearTimeout(silent);
    if (done) return;
    const events = (rest + value).split("\n\n");
    rest = events.pop();
    for (const event of events) if (event.startsWith("data: ")) take(JSON.parse(event.slice(6)));
  }
}

function take(event) {
  board.heardMs = performance.now();
  board.skewS = event.server_s - board.heardMs / 1000;
  board.lockAll = event.lock_all;
  if (event.all) board.phones.clear();
  for (const id of event.gone) board.phones.delete(id);
  for (const phone of event.phones) board.phones.set(phone.id, phone);
  show();
}

// ---- what is shown

function show() {
  const nowMs = performance.now();
  const away = nowMs - board.heardMs > AWAY_MS;
  const phones = [...board.phones.values()];
  const square = phones.filter((p) => p.need === "square").length;
  const help = phones.filter((p) => p.rank < 4).length;
  const said = byId("board-said");
  said.dataset.away = String(Boolean(board.problem) || away);
  if (board.problem) put(said, board.problem);
  else if (away) put(said, Number.isFinite(board.heardMs) ? t("board.away", { n: Math.round((nowMs - board.heardMs) / 1000) }) : "…");
  else if (board.said && nowMs - board.saidMs < 4000) put(said, board.said);
  else put(said, t("board.count", { n: phones.length, help, square }));
  byId("board-none").hidden = phones.length > 0 || away || Boolean(board.problem);
  byId("all-lock").setAttribute("aria-pressed", String(board.lockAll));
  put(byId("all-lock"), t(board.lockAll ? "board.locked" : "board.lock"));
  for (const [id, card] of board.cards) {
    if (board.phones.has(id)) continue;
    card.root.remove();
    board.cards.delete(id);
  }
  for (const phone of phones) {
    if (!board.cards.has(phone.id)) {
      const card = new Card(phone.id, ask);
      board.cards.set(phone.id, card);
      byId("phones").append(card.root);
      board.sortedMs = -Infinity;
    }
    const news = board.cards.get(phone.id).show(phone, nowMs / 1000 + board.skewS);
    if (news) put(byId("board-heard"), news);
  }
  sort(nowMs);
}

/** The server's order; held while a hand is over the phones, so that none slips from under it. */
function sort(nowMs, now = false) {
  const wanted = [...board.phones.values()]
    .sort((a, b) => a.rank - b.rank || a.need_since_s - b.need_since_s || (a.id < b.id ? -1 : 1))
    .map((phone) => board.cards.get(phone.id).root);
  const list = byId("phones");
  const same = wanted.every((node, i) => list.children[i] === node);
  const held = nowMs - board.handMs < HAND_MS || list.contains(document.activeElement) || byId("ask").open;
  byId("board-sort").hidden = same || !held;
  if (same || (!now && (held || nowMs - board.sortedMs < SORT_MS))) return;
  board.sortedMs = nowMs;
  const focused = document.activeElement;
  wanted.forEach((node, i) => {
    if (list.children[i] !== node) list.insertBefore(node, list.children[i] ?? null);
  });
  if (list.contains(focused)) focused.focus(); // moving a node takes its focus
  byId("board-sort").hidden = true;
}

function put(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

// ---- what the coach asks

async function send(wish) {
  try {
    const answer = await request("/board/control", {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(wish),
    });
    const body = await answer.json();
    board.said = answer.ok ? t("board.sent", { n: body.phones }) : t("board.failed", { text: body.detail });
  } catch {
    board.said = t("board.failed", { text: t("board.away", { n: 0 }) });
  }
  board.saidMs = performance.now();
  show();
}

/** `what` is asked of one phone, or of all where `id` is null. */
function ask(what, id) {
  const phones = id === null ? "all" : [id];
  const phone = id === null ? null : board.phones.get(id);
  const dialog = byId("ask");
  const forms = { setup: setupForm, call: callForm, picture: stillForm };
  dialog.className = what === "picture" ? "wide" : "";
  const picture = () => request(`/board/still?phone=${encodeURIComponent(id)}`);
  const form = forms[what]({ phone, send: (wish) => send({ phones, ...wish }), close: () => dialog.close(), picture });
  dialog.replaceChildren(form);
  dialog.setAttribute("aria-labelledby", "ask-title");
  dialog.showModal();
}

async function boot() {
  await loadTexts(loadSettings().language);
  fillTexts(document);
  board.token = readToken();
  if (!board.token) board.problem = t("board.no-key");
  const seconds = [1, 3, 5, 10, 20].map((n) =>
    Object.assign(document.createElement("option"), { value: n, textContent: t("board.seconds", { n }) }));
  byId("all-in").append(...seconds);
  byId("all-in").value = "5";
  byId("all-setup").onclick = () => ask("setup", null);
  byId("all-call").onclick = () => ask("call", null);
  byId("all-lock").onclick = () => send({ phones: "all", locked: !board.lockAll });
  byId("all-start").onclick = () => send({ phones: "all", film: "start", in_s: Number(byId("all-in").value) });
  byId("all-stop").onclick = () => send({ phones: "all", film: "stop" });
  byId("board-sort").onclick = () => {
    board.handMs = -Infinity;
    sort(performance.now(), true);
  };
  for (const kind of ["pointerdown", "pointermove"]) {
    byId("phones").addEventListener(kind, () => {
      board.handMs = performance.now();
    }, { passive: true });
  }
  setInterval(show, TICK_MS);
  show();
  if (board.token) listen();
}

/** Read-only window for tests. */
window.teesquareBoard = Object.freeze({
  state: () => structuredClone({ phones: [...board.phones.values()], problem: board.problem, lockAll: board.lockAll }),
});

boot();
