// Keeps the screen on while something runs that a sleeping phone would break: a pass being timed, the satellite track.

const reasons = new Set();
let lock = null;

// "" where the screen stays on, or else why it may not.
export async function keepAwake(reason) {
  reasons.add(reason);
  if (lock) return "";
  try {
    lock = (await navigator.wakeLock?.request("screen")) ?? null;
  } catch {
    return "The phone refused to keep the screen on.";
  }
  // It may be over by the time the phone answers.
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

// The phone takes the lock away whenever the page is out of view.
globalThis.document?.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "hidden") lock = null;
  else for (const reason of [...reasons].slice(0, 1)) void keepAwake(reason);
});
