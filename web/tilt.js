// The tilt sensor, asked for inside the one tap; its absence is said, never an obstacle.

const SILENCE_MS = 2000;

/**
 * Asks for the sensor; call it synchronously inside a tap, as iOS demands.
 * Resolves to "granted", "refused" or "absent".
 */
export async function requestTilt() {
  if (typeof window.DeviceMotionEvent === "undefined") return "absent";
  const request = window.DeviceMotionEvent.requestPermission;
  if (typeof request !== "function") return "granted";
  try {
    const answer = await request.call(window.DeviceMotionEvent);
    return answer === "granted" ? "granted" : "refused";
  } catch {
    return "refused";
  }
}

/** Calls onTilt({gravity, screen_deg}); onSilent() once if nothing comes. Returns stop(). */
export function watchTilt(onTilt, onSilent) {
  const sign = gravitySign();
  let heard = false;
  const timer = setTimeout(() => {
    if (!heard) onSilent();
  }, SILENCE_MS);
  const listen = (event) => {
    const a = event.accelerationIncludingGravity;
    if (!a || a.x === null || a.y === null || a.z === null) return;
    heard = true;
    onTilt({ gravity: [sign * a.x, sign * a.y, sign * a.z], screen_deg: screenAngle() });
  };
  window.addEventListener("devicemotion", listen);
  return () => {
    clearTimeout(timer);
    window.removeEventListener("devicemotion", listen);
  };
}

/** Angle of the page's picture against the device, degrees. */
export function screenAngle() {
  return window.screen.orientation?.angle ?? window.orientation ?? 0;
}

/**
 * W3C: a phone lying on its back reads z = +9.8. WebKit on iOS hands on CoreMotion's gravity,
 * which points down, so it reads -9.8 there. The protocol carries W3C's sign.
 */
function gravitySign() {
  const touchMac = navigator.platform === "MacIntel" && navigator.maxTouchPoints > 1;
  return /iP(hone|ad|od)/.test(navigator.userAgent) || touchMac ? -1 : 1;
}
