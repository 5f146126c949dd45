// What the user states, kept in localStorage, and the setup message made of it. SI and degrees.

import { LANGUAGES, language } from "./texts.js";

const KEY = "teesquare.settings";
const PHONE = "teesquare.phone";

// As in vision/setup.py (a test compares them). Common practice, no source; editable by length.
export const STICK_LENGTH_M = 1.22;
export const CLUB_LENGTH_M = {
  "driver": 1.14, "3-wood": 1.09, "hybrid": 1.02, "5-iron": 0.97,
  "7-iron": 0.94, "9-iron": 0.91, "wedge": 0.89, "putter": 0.87,
};

export const ROLES = { "face-on": ["target", "stem"], "down-the-line": ["toe", "ball"] };

// One object each: structuredClone keeps shared ones shared.
const stick = () => ({ kind: "stick", length_m: STICK_LENGTH_M });

export const DEFAULTS = Object.freeze({
  view: "face-on",
  handed: "right",
  units: "cm",
  language: null, // of texts/; null: the browser's
  rods: { target: stick(), stem: stick(), toe: stick(), ball: stick() },
  camera: null, // device id; null: the rear camera
  focal_px: {}, // by lens name, for a picture 1280 long
  line: "toe",
  player_height_m: 1.78,
  club: "7-iron",
  aim_distance_m: null, // rods to target
  goal: { height_m: null, distance_m: null, framing: false },
  tolerance: {
    offset_m: 0.05, yaw_deg: 2, roll_deg: 2, layout_deg: 1, height_m: 0.1, distance_m: 0.2,
  },
  player: "", // names as typed
  bay: "",
  board_pictures: true, // the coach's board may ask for a picture
  club_speed_mps: null, // of the club head; null: by the club
  film_delay_s: 10,
  tone: true,
  voice: true,
});

/** The stored settings over the defaults; anything unreadable or of the wrong type is left out. */
export function loadSettings() {
  try {
    return merge(DEFAULTS, JSON.parse(localStorage.getItem(KEY) ?? "{}"));
  } catch {
    return merge(DEFAULTS, {});
  }
}

export function saveSettings(settings) {
  try {
    localStorage.setItem(KEY, JSON.stringify(settings));
  } catch {
    // Private mode: they last until the page is left.
  }
}

export function forgetSettings() {
  try {
    localStorage.removeItem(KEY);
  } catch {
    // Nothing was kept.
  }
  return merge(DEFAULTS, {});
}

let phone = null;

/** A random id that this browser keeps, so that a phone which comes back is known as the same. */
export function phoneId() {
  if (phone) return phone;
  try {
    phone = localStorage.getItem(PHONE);
  } catch {
    // Private mode: a new one each time the page is opened.
  }
  if (!/^[a-z0-9]{8,64}$/.test(phone ?? "")) {
    phone = [...crypto.getRandomValues(new Uint8Array(12))]
      .map((byte) => byte.toString(16).padStart(2, "0")).join("");
    try {
      localStorage.setItem(PHONE, phone);
    } catch {
      // As above.
    }
  }
  return phone;
}

/** The protocol's setup object (docs/protocol.md). `lens`: {name, longSide, camera} of the open one. */
export function toSetup(settings, lens) {
  const roles = ROLES[settings.view];
  const focal = settings.focal_px[lens.name] ?? null;
  return {
    view: settings.view,
    handed: settings.handed,
    units: settings.units,
    language: language(),
    rod_lengths_m: Object.fromEntries(roles.map((role) => [role, settings.rods[role].length_m])),
    focal_px: focal === null ? null : (focal * lens.longSide) / 1280,
    camera: lens.camera ?? null,
    who: { phone: phoneId(), player: settings.player.trim(), bay: settings.bay.trim() },
    line: settings.line,
    player_height_m: settings.player_height_m,
    club: settings.club,
    club_speed_mps: settings.club_speed_mps,
    goal: { ...settings.goal },
    tolerance: { ...settings.tolerance },
  };
}

const CHOICES = {
  view: Object.keys(ROLES),
  handed: ["right", "left"],
  units: ["cm", "in"],
  language: [null, ...Object.keys(LANGUAGES)],
  line: ["toe", "hands", "middle"],
  club: Object.keys(CLUB_LENGTH_M),
};

const TEXTS_OR_NULL = ["camera", "language"];

function merge(defaults, stored) {
  const out = structuredClone(defaults);
  for (const [key, value] of Object.entries(stored ?? {})) {
    if (!(key in out)) continue;
    const kept = out[key];
    const open = key === "focal_px"; // keys are lens names, values numbers
    if (kept !== null && typeof kept === "object") {
      if (value === null || typeof value !== "object") continue;
      out[key] = open ? numbers(value) : merge(kept, value);
    } else if (kept === null ? fitsOptional(key, value) : typeof value === typeof kept) {
      if (!CHOICES[key] || CHOICES[key].includes(value)) out[key] = value;
    }
  }
  return out;
}

function fitsOptional(key, value) {
  return value === null || typeof value === (TEXTS_OR_NULL.includes(key) ? "string" : "number");
}

function numbers(object) {
  return Object.fromEntries(Object.entries(object).filter(([, v]) => Number.isFinite(v) && v > 0));
}
