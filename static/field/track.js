// An optional satellite track: it runs while this page is on screen, and says when it did not.

import { clock, el, say } from "./elements.js";
import { legLength, written } from "./numbers.js";
import { addTrackPart, current, reference, setWay } from "./outing.js";
import { change, read } from "./store.js";

const MOST_FIXES = 120;
const WORST_ACCURACY_M = 25;
const SMALLEST_STEP_M = 5;

const running = { watch: null, lock: null, outing: null, fixes: [], last: null, first: null, hidden_ms: null, words: "", length_m: 0 };

export function trackWords(outing) {
  if (!outing.track) return null;
  const { units } = reference.told;
  const on = running.watch !== null ? "Track runs while this screen stays on." : "Track is off.";
  return el("p", { class: "track", id: "track" },
    `${on} ${outing.track.fixes} positions, ${written(outing.track.length_m ?? 0, "trip", units)}. ${running.words || outing.track.words || ""}`);
}

export async function toggleTrack(app, outing) {
  if (running.watch !== null) await stopTrack("");
  else await startTrack(app, outing);
  await app.render();
}

async function startTrack(app, outing) {
  Object.assign(running, { outing: outing.id, fixes: [], words: "", length_m: outing.track?.length_m ?? 0, last: null, first: null });
  await setWay(outing, { track: { fixes: 0, length_m: 0, ...outing.track, on: true } });
  running.watch = navigator.geolocation.watchPosition(
    (fix) => void take(app, fix),
    (error) => void failed(app, error),
    { enableHighAccuracy: true, maximumAge: 0, timeout: 60_000 },
  );
  await hold();
}

// The screen must stay on, or the phone stops giving positions.
async function hold() {
  try {
    running.lock = await navigator.wakeLock?.request("screen");
    if (!running.lock) running.words = "This phone cannot keep the screen on; keep touching it.";
  } catch {
    running.words = "The phone refused to keep the screen on.";
  }
}

async function failed(app, error) {
  const why = error.code === 1 ? "The phone does not allow this page to read its position; allow it in the browser's settings."
    : "The phone finds no position just now.";
  running.words = why;
  say(why, { wrong: true });
  if (error.code === 1) await stopTrack(why);
  await app.refresh();
}

async function take(app, { coords, timestamp }) {
  const held = await current();
  if (!held || held.id !== running.outing) return;
  const time_s = Math.max(0, (timestamp - held.started_ms) / 1000);
  const previous = running.fixes[running.fixes.length - 1];
  if (previous && time_s < previous[0]) return;
  running.fixes.push([Number(time_s.toFixed(2)), coords.latitude, coords.longitude, coords.accuracy ?? null]);
  if ((coords.accuracy ?? 0) <= WORST_ACCURACY_M) {
    running.first ??= coords;
    const step = running.last
      ? legLength(running.last.latitude, running.last.longitude, coords.latitude, coords.longitude) : Infinity;
    if (step >= SMALLEST_STEP_M) {
      if (running.last) running.length_m += step;
      running.last = coords;
    }
  }
  await change(["drafts"], async ({ drafts }) => { drafts.put({ key: `track/${held.id}`, values: {}, fixes: running.fixes }); });
  if (running.fixes.length >= MOST_FIXES) await flush(false);
}

async function flush(stopped_by_phone) {
  const held = await current();
  if (!held || !running.fixes.length) return;
  const fixes = running.fixes;
  running.fixes = [];
  const from_start_m = running.first && running.last
    ? legLength(running.first.latitude, running.first.longitude, running.last.latitude, running.last.longitude) : 0;
  await addTrackPart(held, fixes, stopped_by_phone);
  await setWay(held, { track: { ...(await current()).track, on: running.watch !== null, length_m: running.length_m, from_start_m, words: running.words } });
}

export async function stopTrack(words) {
  if (running.watch !== null) navigator.geolocation.clearWatch(running.watch);
  running.watch = null;
  await running.lock?.release?.();
  running.words = words;
  await flush(false);
  const held = await current();
  if (held?.track) await setWay(held, { track: { ...held.track, on: false, length_m: running.length_m, words } });
}

// What a track that was cut off left behind: its last positions are sent, and the gap is said.
export async function recoverTrack(app) {
  const held = await current();
  if (!held?.track?.on) return;
  const left = (await read("drafts", `track/${held.id}`))?.fixes ?? [];
  const words = "The phone stopped the track when this page was closed.";
  if (left.length) await addTrackPart(held, left, true);
  const now = await current();
  await setWay(now, { track: { ...now.track, on: false, words } });
  say(`${words} Start it again if you want it.`, { wrong: true });
  await app.refresh();
}

export function watchScreen(app) {
  document.addEventListener("visibilitychange", () => void (async () => {
    if (running.watch === null) return;
    if (document.visibilityState === "hidden") {
      running.hidden_ms = Date.now();
      return;
    }
    const from = running.hidden_ms;
    running.hidden_ms = null;
    await hold();
    if (from !== null) {
      running.words = `The phone stopped the track from ${clock(from)} to ${clock(Date.now())}, because this page was not on screen. It runs again now.`;
      say(running.words, { wrong: true });
      await flush(true);
      await app.refresh();
    }
  })());
}
