// The clock of a session: the phone's monotonic count (performance.now), which may stand still during sleep, compared
// with its time of day (Date), which may be set. Neither alone times anything.

import { lengthOfTime } from "./numbers.js";

export const DISAGREE_S = 0.3;
export const OLD_MARK_S = 600;
// A session needs no tenths of a second, and time servers move a clock a little.
const SET_S = 2;
const BOUNCE_MS = 300;
const LONGEST_S = 86_400;
const MOST_LAG_MS = 2_000;

// The count is valid within one page load.
const PAGE = `${performance.timeOrigin}-${Math.random()}`;

// Both clocks now, or at the time of an event, which the page may handle late.
export function bothClocks(event = null) {
  const count_ms = performance.now();
  const lag_ms = event ? count_ms - event.timeStamp : 0;
  const late_ms = lag_ms > 0 && lag_ms < MOST_LAG_MS ? lag_ms : 0;
  return { page: PAGE, count_ms: count_ms - late_ms, wall_ms: Date.now() - late_ms };
}

// Both clocks of the page that went last, and of this one when it came. A reload begins before the old page goes (HTML,
// navigation), and the count begins with it: so no more time is between the two than this page had then counted.
const LAST_PAGE = `clocks of the last page of ${globalThis.document?.body?.dataset.page ?? ""}`;
const came = bothClocks();
const reload = reloadBetween(storedClocks(), came);
globalThis.addEventListener?.("pagehide", () => {
  try {
    localStorage.setItem(LAST_PAGE, JSON.stringify({ ...bothClocks(), earlier: reload }));
  } catch { /* Storage is closed or full: a reload is then not bridged, and that is said. */ }
});

function storedClocks() {
  try {
    return JSON.parse(localStorage.getItem(LAST_PAGE));
  } catch {
    return null;
  }
}

// The reload between a page that went and one that came, or null where the time of day does not show one: the page was
// closed for longer, or the time was set.
export function reloadBetween(went, arrived) {
  if (!went || went.page === arrived.page) return null;
  const gone_ms = arrived.wall_ms - went.wall_ms;
  return gone_ms >= 0 && gone_ms <= arrived.count_ms ? { went, came: arrived } : null;
}

// Seconds from a moment of an earlier page to one of this page, by the count of both and the time of day of the reloads
// between, and how far these can be off: a time of day that was set meanwhile is bounded by the length of the reload.
export function overReloads(from, to, last = reload) {
  if (from.page === to.page) return { counted_s: (to.count_ms - from.count_ms) / 1000, reload_s: 0 };
  if (!last || last.came.page !== to.page) return null;
  const before = overReloads(from, last.went, last.went.earlier ?? null);
  if (!before) return null;
  const gone_s = (last.came.wall_ms - last.went.wall_ms) / 1000;
  return {
    counted_s: before.counted_s + gone_s + (to.count_ms - last.came.count_ms) / 1000,
    reload_s: before.reload_s + last.came.count_ms / 1000,
  };
}

// Seconds between two moments by both clocks; the count is null if the page was reloaded in between.
function between(from, to) {
  return {
    counted_s: from.page === to.page ? (to.count_ms - from.count_ms) / 1000 : null,
    wall_s: (to.wall_ms - from.wall_ms) / 1000,
  };
}

// A second tap within the bounce time by both clocks is not a second mark.
export function isBounce(from, to) {
  const { counted_s, wall_s } = between(from, to);
  return counted_s !== null && counted_s * 1000 < BOUNCE_MS && Math.abs(wall_s) * 1000 < BOUNCE_MS;
}

// The least age of a first mark by both clocks, or by the only one; null if that one was set back.
export function ageOf(mark, now) {
  const { counted_s, wall_s } = between(mark, now);
  if (counted_s === null) return wall_s < 0 ? null : wall_s;
  return Math.max(0, Math.min(counted_s, wall_s));
}

function inSeconds(value_s) {
  const size = Math.abs(value_s);
  const number = size < 100 ? size.toPrecision(3) : size.toFixed(0);
  return `${value_s < 0 ? "−" : ""}${number} s`;
}

const possible = (times) => times.every((time, index) => time > (index ? times[index - 1] : 0) && time <= LONGEST_S);

// Seconds from the first mark to each later one, and the reason if they do not count. If the clocks disagree, the
// longer time is stored, because a speed must never be too high. Null if neither clock gives a possible time.
export function timesOf(marks) {
  const looks = marks.slice(1).map((mark) => between(marks[0], mark));
  const by_wall = looks.map((look) => look.wall_s);
  const by_count = looks.map((look) => look.counted_s);
  if (by_count.includes(null)) {
    return {
      times_s: possible(by_wall) ? by_wall : null,
      reason: "the page was reloaded between the marks, so only one of the phone's clocks timed it.",
    };
  }
  if (looks.every(({ counted_s, wall_s }) => Math.abs(wall_s - counted_s) <= DISAGREE_S)) return { times_s: by_count, reason: "" };
  const { counted_s, wall_s } = looks[looks.length - 1];
  const longest_first = wall_s > counted_s ? [by_wall, by_count] : [by_count, by_wall];
  return {
    times_s: longest_first.find(possible) ?? null,
    reason: `the phone's clocks disagree: ${inSeconds(counted_s)} by one, ${inSeconds(wall_s)} by the other. ` +
      "The phone slept, or its time was set.",
  };
}

// How far the time of day was set during a session, by comparison with the count. `back_s` and `forward_s` are totals;
// `asleep_s` is time the count missed while the page was hidden: the phone slept, or its time was set.
export const NEVER_SET = { back_s: 0, forward_s: 0, asleep_s: 0 };

// Updates the totals: between two comparisons the session's time advanced by `session_s`, the count by `counted_s`.
export function settled(clock, session_s, counted_s, in_view) {
  const parted_s = session_s - counted_s;
  if (Math.abs(parted_s) <= Math.max(SET_S, 0.001 * counted_s)) return clock;
  if (parted_s < 0) return { ...clock, back_s: clock.back_s - parted_s };
  return in_view ? { ...clock, forward_s: clock.forward_s + parted_s } : { ...clock, asleep_s: clock.asleep_s + parted_s };
}

// The last comparison of the two clocks by this page. Each page of the phone has its own; after one has settled a
// difference, the others find none.
let tied = null;
let was_hidden = false;
globalThis.document?.addEventListener("visibilitychange", () => { was_hidden ||= document.visibilityState === "hidden"; });

// Time since the start by the time of day, corrected for changes of the clock.
function timeInto(outing, clock) {
  return ((outing.ended_ms ?? Date.now()) - outing.started_ms) / 1000 + clock.back_s - clock.forward_s;
}

function clockOf(outing) {
  const stored = outing.clock ?? NEVER_SET;
  if (outing.ended_ms !== null || tied?.id !== outing.id || tied.started_ms !== outing.started_ms) return stored;
  return settled(stored, timeInto(outing, stored) - tied.time_s, (bothClocks().count_ms - tied.count_ms) / 1000, !was_hidden);
}

export function runtime_s(outing) {
  return Math.max(0, timeInto(outing, clockOf(outing)));
}

// The longest possible runtime, if the time of day ran ahead of the count. Used for the unseen distance.
export function longest_s(outing) {
  const clock = clockOf(outing);
  return Math.max(0, timeInto(outing, clock) + clock.forward_s);
}

export function wasSet(outing) {
  const { back_s, forward_s } = clockOf(outing);
  return back_s > 0 || forward_s > 0;
}

// A sentence about changes of the clock, or "".
export function clockWords(outing) {
  const { back_s, forward_s } = clockOf(outing);
  const jumps = [
    forward_s > 0 && `${lengthOfTime(forward_s)} ahead (it was set, or the phone slept)`,
    back_s > 0 && `${lengthOfTime(back_s)} back (it was set)`,
  ].filter(Boolean);
  return jumps.length ? `The phone's time of day jumped ${jumps.join(" and ")}; the runtime is its other clock's.` : "";
}

// The shortest possible runtime if the phone slept or its time was set, otherwise null.
export function atLeast_s(outing) {
  const { asleep_s } = clockOf(outing);
  return asleep_s > 0 ? Math.max(0, runtime_s(outing) - asleep_s) : null;
}

// Compares the clocks, every second and at every tap. Returns the totals if they changed, otherwise null.
export function compareClocks(outing) {
  if (outing.ended_ms !== null) return null;
  const same = tied?.id === outing.id && tied.started_ms === outing.started_ms;
  let clock = clockOf(outing);
  // A closed page counts nothing, but the session cannot get younger.
  const lost_s = same ? 0 : (outing.latest_s ?? 0) - timeInto(outing, clock);
  if (lost_s > 0) clock = { ...clock, back_s: clock.back_s + lost_s };
  tied = { id: outing.id, started_ms: outing.started_ms, count_ms: bothClocks().count_ms, time_s: timeInto(outing, clock) };
  was_hidden = document.visibilityState === "hidden";
  return clock === (outing.clock ?? NEVER_SET) ? null : clock;
}

// The sequence number of a tap: milliseconds into the session, always above the number before.
let last_place = { id: null, place: -1 };
export function nextPlace(outing) {
  const before = Math.max(outing.sequence ?? -1, last_place.id === outing.id ? last_place.place : -1);
  last_place = { id: outing.id, place: Math.max(Math.round(1000 * runtime_s(outing)), before + 1) };
  return last_place.place;
}

export function noteTap(page, { sequence }) {
  page.sequence = Math.max(page.sequence ?? -1, sequence);
  page.latest_s = Math.max(page.latest_s ?? 0, runtime_s(page));
}
