// The camera: rear lens by default, or the one chosen in the settings.

import { Problem } from "./problem.js";

// A picture cut to the wished shape would lose part of the swing and change the focal length that
// the server assumes: better one of the camera's own sizes than exactly this one. The camera is asked
// for the most that a film can use; the server gets a small copy.
const IDEAL = {
  width: { ideal: 1920 }, height: { ideal: 1080 }, frameRate: { ideal: 240 },
  resizeMode: { ideal: "none" },
};
const SMALL_PX = 1280; // long side of the copy that the server sees
const SMALL_FPS = 30;

/** A copy of the camera's stream, small enough to send; ends with `release` of its own tracks. */
export async function smallCopy(stream) {
  const track = stream.getVideoTracks()[0].clone();
  prepareTrack(track);
  const { width = 0, height = 0, frameRate = 0 } = track.getSettings?.() ?? {};
  const scale = SMALL_PX / Math.max(width, height, 1);
  const wanted = {};
  if (scale < 1) {
    wanted.width = { ideal: Math.round(width * scale) };
    wanted.height = { ideal: Math.round(height * scale) };
  }
  if (frameRate > SMALL_FPS * 1.1) wanted.frameRate = { max: SMALL_FPS };
  try {
    if (Object.keys(wanted).length) await track.applyConstraints(wanted);
  } catch {
    // A copy that cannot be made smaller is sent as it is.
  }
  return new MediaStream([track]);
}

/** Problem that stops the page before it asks for a camera, or null. */
export function cameraObstacle() {
  if (!window.isSecureContext) return new Problem("problem.insecure");
  if (!navigator.mediaDevices?.getUserMedia || !window.RTCPeerConnection) {
    return new Problem("problem.old-browser");
  }
  return null;
}

/** Opens the camera. `deviceId` null: the rear one. Throws Problem. */
export async function openCamera(deviceId = null) {
  const obstacle = cameraObstacle();
  if (obstacle) throw obstacle;
  const rear = { ...IDEAL, facingMode: { ideal: "environment" } };
  const wanted = deviceId ? { ...IDEAL, deviceId: { exact: deviceId } } : rear;
  try {
    return await ask(wanted);
  } catch (error) {
    // A remembered lens may be gone (another phone, ids renewed): fall back to the rear one.
    const gone = error.name === "OverconstrainedError" || error.name === "NotFoundError";
    if (deviceId && gone) {
      return ask(rear).catch((again) => {
        throw asProblem(again);
      });
    }
    throw asProblem(error);
  }
}

async function ask(video) {
  const stream = await navigator.mediaDevices.getUserMedia({ video, audio: false });
  for (const track of stream.getVideoTracks()) prepareTrack(track);
  return stream;
}

/** Sharpness matters more than motion: thin rods vanish in a picture made smaller. */
export function prepareTrack(track) {
  if ("contentHint" in track) track.contentHint = "detail";
}

/** Cameras as [{id, label}]; labels are empty until the camera was allowed once. */
export async function listCameras() {
  const devices = (await navigator.mediaDevices?.enumerateDevices?.()) ?? [];
  return devices
    .filter((device) => device.kind === "videoinput" && device.deviceId)
    .map((device) => ({ id: device.deviceId, label: device.label }));
}

/** Name under which a lens's focal length is kept: ids change, labels stay. */
export function lensName(stream) {
  return stream?.getVideoTracks()[0]?.label || "default";
}

let device = "";

/** Asks the browser once what this device is called; `lensKey` needs it. */
export async function learnDevice() {
  const agent = navigator.userAgentData;
  const told = await agent?.getHighEntropyValues?.(["model", "platform"]).catch(() => null);
  // Where no model is told, the screen tells phones of one make apart.
  const { width = 0, height = 0 } = globalThis.screen ?? {};
  const [short, long] = [width, height].sort((a, b) => a - b);
  device = [told?.platform || agent?.platform || navigator.platform || "device",
    told?.model || `${short}x${long}@${globalThis.devicePixelRatio ?? 1}`].join(" ");
}

/** The protocol's `camera`, under which the server keeps a lens's profile; null without a stream. */
export function lensKey(stream) {
  const track = stream?.getVideoTracks()[0];
  const { width = 0, height = 0, zoom = 1, facingMode = "" } = track?.getSettings?.() ?? {};
  if (!(Math.min(width, height) >= 16)) return null;
  const zoomed = Math.abs(zoom - 1) > 0.01 ? `, zoom ${zoom.toFixed(2)}` : "";
  const lens = (track.label || facingMode || "default").slice(0, 150) + zoomed;
  return { device: device.slice(0, 150), lens, size: [Math.round(width), Math.round(height)] };
}

/** Long side of the camera's picture in pixels, 1280 while unknown. */
export function longSide(stream) {
  const { width = 0, height = 0 } = stream?.getVideoTracks()[0]?.getSettings?.() ?? {};
  return Math.max(width, height) || 1280;
}

function asProblem(error) {
  if (error instanceof Problem) return error;
  const keys = {
    NotAllowedError: "problem.denied",
    SecurityError: "problem.denied",
    NotFoundError: "problem.no-camera",
    OverconstrainedError: "problem.no-camera",
    NotReadableError: "problem.busy",
  };
  return new Problem(keys[error.name] ?? "problem.camera", { cause: error });
}
