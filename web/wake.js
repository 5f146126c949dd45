// Keeps the screen on while guidance runs.

let lock = null;
let wanted = false;

/** Asks for the lock; resolves to whether the browser knows how. Re-taken when the page returns. */
export async function keepAwake() {
  wanted = true;
  if (!navigator.wakeLock) return false;
  try {
    lock = await navigator.wakeLock.request("screen");
  } catch {
    // Low battery or a hidden page: tried again when the page is shown again.
  }
  return true;
}

export function letSleep() {
  wanted = false;
  lock?.release().catch(() => {});
  lock = null;
}

document.addEventListener("visibilitychange", () => {
  if (wanted && document.visibilityState === "visible") keepAwake();
});
