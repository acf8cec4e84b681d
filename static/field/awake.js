// Keeps the screen on while a pass is timed or the satellite track runs: a sleeping phone would stop both.

const reasons = new Set();
let lock = null;

// Returns "" if the screen stays on, otherwise the reason why it may not.
export async function keepAwake(reason) {
  reasons.add(reason);
  if (lock) return "";
  try {
    lock = (await navigator.wakeLock?.request("screen")) ?? null;
  } catch {
    return "The phone refused to keep the screen on.";
  }
  // The reason may have ended before the phone answers.
  if (!reasons.size) await letSleep(reason);
  return lock || !reasons.size ? "" : "This phone cannot keep the screen on; keep touching it.";
}

export async function letSleep(reason) {
  reasons.delete(reason);
  if (reasons.size || !lock) return;
  const released = lock;
  lock = null;
  await released.release?.();
}

// The browser releases the lock whenever the page is hidden.
globalThis.document?.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "hidden") lock = null;
  else for (const reason of [...reasons].slice(0, 1)) void keepAwake(reason);
});
