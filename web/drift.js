// The log of drift: one place, some days, two plots as inline SVG.

import { byId } from "./dom.js";
import { loadSettings } from "./settings.js";
import { fillTexts, language, loadTexts, pointed, t } from "./texts.js";
import { asker, readToken } from "./token.js";

const SVG = "http://www.w3.org/2000/svg";
const [WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM] = [900, 300, 70, 110, 20, 40];
const DASHES = ["", "14 6", "3 6"]; // lines differ without colour too
const COLOURS = ["#0c0c0c", "#7a1600", "#0033cc"];
const GAP_S = 600; // a longer silence breaks the line

let token = null;

async function ask(path) {
  const answer = await fetch(path, { headers: asker(token) });
  if (!answer.ok) throw new Error(t("log.refused"));
  return answer.json();
}

async function show() {
  try {
    const query = new URLSearchParams({ place: byId("log-place").value, days: byId("log-days").value });
    const { rows } = await ask(`/drift/log?${query}`);
    const count = (watch) => rows.filter((r, i) => r.watch === watch && rows[i - 1]?.watch !== watch).length;
    byId("log-said").textContent = rows.length
      ? `${t("log.alarms", { n: count("moved"), rods: count("rods") })} ${t("log.last", {
        when: new Date(rows.at(-1).at_s * 1000).toLocaleString(language()) })}`
      : t("log.empty");
    byId("log-plots").replaceChildren(...(rows.some((r) => r.move_m) ? [
      plot(t("log.move"), rows, (r) => r.move_m?.map((v) => v * 1000), ["right", "forward", "up"]),
      plot(t("log.turn"), rows, (r) => r.turn_deg, ["turn-right", "tilt-up", "clockwise"]),
    ] : []));
  } catch (error) {
    byId("log-said").textContent = error.message;
  }
}

/** Three lines over time with axes, zero line, names at their ends. */
export function plot(title, rows, values, names) {
  const svg = node("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", "aria-label": title });
  const known = rows.filter((r) => values(r));
  const [from, to] = [rows[0].at_s, Math.max(rows.at(-1).at_s, rows[0].at_s + 60)];
  const most = Math.max(...known.flatMap((r) => values(r).map(Math.abs)), 1e-6);
  const step = nice(most / 2);
  const reach = step * Math.ceil(most / step);
  const x = (s) => LEFT + ((s - from) / (to - from)) * (WIDTH - LEFT - RIGHT);
  const y = (v) => TOP + ((reach - v) / (2 * reach)) * (HEIGHT - TOP - BOTTOM);
  for (let v = -reach; v <= reach + step / 2; v += step) {
    svg.append(line([[LEFT, y(v)], [WIDTH - RIGHT, y(v)]], Math.abs(v) < step / 2 ? 2 : 0.5, "#0c0c0c", ""),
      text(LEFT - 8, y(v) + 5, pointed(Number(v.toFixed(3))), "end"));
  }
  for (let i = 0; i <= 4; i += 1) {
    const s = from + ((to - from) * i) / 4;
    svg.append(text(x(s), HEIGHT - 12, when(s, to - from), i === 0 ? "start" : "middle"));
  }
  for (const row of rows) {
    if (row.watch === "moved" || row.watch === "rods") {
      svg.append(node("rect", { x: x(row.at_s) - 2, y: TOP, width: 4, height: HEIGHT - TOP - BOTTOM, fill: "#ffd873" }));
    }
  }
  const labels = names.map((name, k) => ({ k, name, at: y(values(known.at(-1))[k]) }));
  labels.sort((a, b) => a.at - b.at);
  labels.forEach((label, i) => {
    if (i) label.at = Math.max(label.at, labels[i - 1].at + 18);
  });
  for (const { k, name, at } of labels) {
    for (const part of pieces(known)) {
      const points = part.map((r) => [x(r.at_s), y(values(r)[k])]);
      if (points.length === 1) points.push([points[0][0] + 3, points[0][1]]);
      svg.append(line(points, 3, COLOURS[k], DASHES[k]));
    }
    svg.append(Object.assign(text(WIDTH - RIGHT + 8, at + 5, t(`log.${name}`), "start", COLOURS[k])));
  }
  const figure = document.createElement("figure");
  const caption = document.createElement("figcaption");
  caption.textContent = title;
  figure.append(caption, svg);
  return figure;
}

function pieces(rows) {
  const out = [];
  for (const row of rows) {
    const last = out.at(-1)?.at(-1);
    if (last && row.at_s - last.at_s < GAP_S) out.at(-1).push(row);
    else out.push([row]);
  }
  return out;
}

function nice(value) {
  const power = 10 ** Math.floor(Math.log10(value));
  return [1, 2, 5, 10].find((m) => m * power >= value) * power;
}

function when(s, span) {
  const date = new Date(s * 1000);
  return span < 172_800
    ? date.toLocaleTimeString(language(), { hour: "2-digit", minute: "2-digit" })
    : date.toLocaleDateString(language(), { day: "numeric", month: "short" });
}

function node(name, attributes) {
  const out = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) out.setAttribute(key, String(value));
  return out;
}

function line(points, width, stroke, dashes) {
  return node("polyline", {
    points: points.map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" "),
    fill: "none", stroke, "stroke-width": width, "stroke-dasharray": dashes,
  });
}

function text(x, y, words, anchor, fill = "#0c0c0c") {
  const out = node("text", { x, y, fill, "text-anchor": anchor, "font-size": 16, "font-weight": 600 });
  out.textContent = words;
  return out;
}

async function boot() {
  await loadTexts(loadSettings().language);
  fillTexts(document);
  token = readToken();
  const option = (value, label) => Object.assign(document.createElement("option"), { value, textContent: label });
  byId("log-days").append(...[1, 7, 30, 366].map((n) => option(n, t("log.days", { n }))));
  byId("log-days").value = "7";
  try {
    const { places } = await ask("/drift/places");
    byId("log-place").append(...places.map((name) => option(name, name)));
    for (const id of ["log-place", "log-days"]) byId(id).onchange = show;
    byId("log-pick").hidden = places.length === 0;
    if (places.length) await show();
    else byId("log-said").textContent = t("log.none");
  } catch (error) {
    byId("log-said").textContent = error.message;
  }
}

boot();
