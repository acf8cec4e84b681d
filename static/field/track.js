// The optional satellite track. It runs while this page is on screen and reports its gaps. Each good position updates
// the distance ridden at once, and with it energy left and turn-back distance.

import { keepAwake, letSleep } from "./awake.js";
import { clock, el, say } from "./elements.js";
import { lookForPasses, noteFix } from "./hands_free.js";
import { legLength, written } from "./numbers.js";
import { addTrackPart, arrive, current, reference, setWay, tie } from "./outing.js";
import { runtime_s } from "./session_clock.js";
import { change, resultOf, read } from "./store.js";

const MOST_FIXES = 120;
const WORST_ACCURACY_M = 25;
const HOME_IS_SOUGHT_MS = 30_000;
const OLDEST_FIX_S = 60;

const OLDEST_SPEED_MS = 10_000;
const SPEED_OVER_S = 3;

const running = { watch: null, outing: null, fixes: [], last_s: 0, hidden_ms: null, words: "", speed: null, spot: null };

export function isRunning() {
  return running.watch !== null;
}

// The receiver's own speed now, null where it gave none lately.
export function speedNow_mps() {
  const known = running.watch !== null && running.speed && performance.now() - running.speed.at_ms < OLDEST_SPEED_MS;
  return known ? running.speed.mps : null;
}

const isGood = (coords) => (coords.accuracy ?? 0) <= WORST_ACCURACY_M;

export function trackWords(outing) {
  if (!outing.track) return null;
  const { units } = reference.data;
  const on = running.watch !== null ? "Track runs while this screen stays on." : "Track is off.";
  const positions = outing.track.fixes + running.fixes.length;
  return el("p", { class: "track", id: "track" },
    `${on} ${positions} positions, ${written(outing.way?.seen_m ?? 0, "trip", units, 0, 3)}. ${running.words || outing.track.words || ""}`);
}

export async function toggleTrack(app, outing) {
  if (running.watch !== null) await stopTrack("", app);
  else await startTrack(app, outing);
  await app.render();
}

export async function startTrack(app, outing) {
  Object.assign(running, { outing: outing.id, fixes: [], last_s: outing.track?.last_s ?? 0, words: "" });
  await setWay(outing, { track: { fixes: 0, ...outing.track, on: true } });
  running.watch = navigator.geolocation.watchPosition(
    (fix) => void take(app, fix),
    (error) => void failed(app, error),
    { enableHighAccuracy: true, maximumAge: 0, timeout: 60_000 },
  );
  // Without the screen the phone stops giving positions.
  running.words = (await keepAwake("track")) || running.words;
}

const NO_POSITION = "The phone finds no position just now.";

// A missing position is shown on the board only, where the distance is counted down meanwhile.
async function failed(app, error) {
  if (error.code !== 1) {
    running.words = NO_POSITION;
    await app.redrawState();
    return;
  }
  const why = "The phone does not allow this page to read its position; allow it in the browser's settings.";
  say(why, { wrong: true });
  await stopTrack(why);
  await app.refresh();
}

// If the page already may read the position, stores the place of the start as home, on this phone only. A track that
// is started later then knows its distance from home.
export async function noteHome(app) {
  const allowed = await navigator.permissions?.query({ name: "geolocation" }).catch(() => null);
  const outing = await current();
  if (allowed?.state !== "granted" || !outing) return;
  navigator.geolocation.getCurrentPosition(({ coords }) => void (async () => {
    if (isGood(coords) && running.watch === null && await put(outing.id, coords, [])) await app.redrawState();
  })(), () => {}, { enableHighAccuracy: true, maximumAge: 0, timeout: HOME_IS_SOUGHT_MS });
}

// Stores the position in the session's way and the unsent positions in the drafts, in one transaction.
async function put(id, coords, fixes) {
  return change(["outings", "drafts"], async ({ outings, drafts }) => {
    const outing = await resultOf(outings.get(id));
    if (!outing || outing.ended_ms !== null) return null;
    if (isGood(coords)) arrive(outing, coords);
    outings.put(outing);
    if (fixes.length) drafts.put({ key: `track/${id}`, values: {}, fixes });
    return outing;
  });
}

async function take(app, { coords, timestamp }) {
  const outing = await current();
  if (!outing || outing.id !== running.outing) return;
  if (running.words === NO_POSITION) running.words = "";
  await tie(outing);
  // By the session's clock and never backwards, so that setting the phone's clock cannot lose or stretch them.
  const old_s = (Date.now() - timestamp) / 1000;
  const time_s = Math.max(running.last_s, runtime_s(outing) - (old_s > 0 && old_s < OLDEST_FIX_S ? old_s : 0));
  running.last_s = time_s;
  noteSpeed(coords, time_s);
  const speed = typeof coords.speed === "number" && coords.speed >= 0 ? [Number(coords.speed.toFixed(2))] : [];
  running.fixes.push([Number(time_s.toFixed(2)), coords.latitude, coords.longitude, coords.accuracy ?? null, ...speed]);
  await put(outing.id, coords, running.fixes);
  await noteFix(app, outing, { time_s, coords });
  if (running.fixes.length >= MOST_FIXES) await flush(false);
  await app.redrawState();
}

// The receiver's own speed, or else how far it came in the last seconds.
function noteSpeed(coords, time_s) {
  const at_ms = performance.now();
  if (typeof coords.speed === "number" && coords.speed >= 0) running.speed = { mps: coords.speed, at_ms };
  else if (isGood(coords)) {
    const spot = running.spot;
    if (spot && time_s - spot.time_s >= SPEED_OVER_S) {
      const gone_m = legLength(spot.latitude, spot.longitude, coords.latitude, coords.longitude);
      running.speed = { mps: gone_m / (time_s - spot.time_s), at_ms };
    }
    if (!spot || time_s - spot.time_s >= SPEED_OVER_S) running.spot = { time_s, latitude: coords.latitude, longitude: coords.longitude };
  }
}

async function flush(stopped_by_phone) {
  const outing = await current();
  if (!outing || !running.fixes.length) return;
  const fixes = running.fixes;
  running.fixes = [];
  await addTrackPart(outing, fixes, stopped_by_phone);
  await setWay(outing, { track: { ...(await current()).track, last_s: running.last_s, on: running.watch !== null, words: running.words } });
}

export async function stopTrack(words, app = null) {
  if (running.watch !== null) navigator.geolocation.clearWatch(running.watch);
  running.watch = null;
  await letSleep("track");
  running.words = words;
  await flush(false);
  const outing = await current();
  if (outing?.track) await setWay(outing, { track: { ...outing.track, on: false, words } });
  if (outing && app) await lookForPasses(app, outing);
}

// After a track was cut off: sends its last positions and reports the gap.
export async function recoverTrack(app) {
  const outing = await current();
  if (!outing?.track?.on) return;
  const left = (await read("drafts", `track/${outing.id}`))?.fixes ?? [];
  const words = "The phone stopped the track when this page was closed.";
  if (left.length) await addTrackPart(outing, left, true);
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
    if (from !== null) {
      running.words = `The phone stopped the track from ${clock(from)} to ${clock(Date.now())}, because this page was not on screen. It runs again now.`;
      say(running.words, { wrong: true });
      await flush(true);
      await app.refresh();
    }
  })());
}
