// The distance ridden: seen by the satellite, or unseen and then estimated at the highest recent speed. Pure functions.
// Unseen distance is never taken as zero, so each distance here is an upper limit, until a reading of the trip counter
// corrects it.

import { legLength } from "./numbers.js";

export const SILENCE_S = 30;
const SMALLEST_STEP_M = 5;
const SAME_PLACE_M = 40;
const LEG_S = 10;
const RECENT_S = 900;
// Faster than any such machine: a jump of the position.
const BELIEVED_MPS = 60;
// 43 km/h, where no speed is known at all (common practice, no source).
const ASSUMED_MPS = 12;

// Times are into the session. `known_s` is the time of the last position or distance. A point is a position of the
// track with the distance home from it along the track.
export function beginWay() {
  return { seen_m: 0, unseen_m: 0, known_s: 0, last: null, points: [], leg: null, legs: [] };
}

function silence(way, now_s) {
  const quiet_s = Math.max(0, now_s - way.known_s);
  return quiet_s > SILENCE_S ? quiet_s : 0;
}

// The highest known speed and its source: the track of the last quarter of an hour, this session's passes, or the mean
// speed of earlier sessions.
export function highestSpeed(way, passes_mps = [], earlier_mps = null) {
  const known = [
    ...(way?.legs ?? []).map(([, mps]) => ({ mps, from: "track" })),
    ...passes_mps.map((mps) => ({ mps, from: "passes" })),
    ...(earlier_mps > 0 ? [{ mps: earlier_mps, from: "earlier" }] : []),
  ];
  return known.reduce((high, speed) => (high && high.mps >= speed.mps ? high : speed), null) ?? { mps: ASSUMED_MPS, from: "nothing" };
}

// At a reading: adds the unseen distance until now and starts a new interval.
export function settledWay(way, now_s, mps) {
  return { ...way, unseen_m: way.unseen_m + silence(way, now_s) * mps, known_s: now_s };
}

// The distances now. `home_m` is the way home along the own track, null without one; `open_m` is its part since the
// last position.
export function wayNow(way, now_s, mps) {
  const silent_s = silence(way, now_s);
  const unseen_m = way.unseen_m + silent_s * mps;
  const open_m = way.last ? unseen_m - way.last.unseen_m : 0;
  const [home] = way.points;
  return {
    seen_m: way.seen_m, unseen_m, silent_s, open_m,
    home_m: way.last ? way.last.home_m + open_m : null,
    straight_m: way.last ? legLength(home[0], home[1], way.last.latitude, way.last.longitude) : null,
    whole: way.points.length > 0 && home[2] === 0 && unseen_m === 0,
  };
}

// Adds a good position. A step shorter than its accuracy is noise. `ridden_m` is the distance ridden since the start,
// an upper limit of the way home.
export function withFix(way, { latitude, longitude, accuracy }, now_s, mps, ridden_m) {
  const quiet_s = silence(way, now_s);
  if (!way.last) {
    const next = settledWay(way, now_s, mps);
    return {
      ...next, points: [[latitude, longitude, ridden_m]], leg: [now_s, next.seen_m],
      last: { latitude, longitude, home_m: ridden_m, unseen_m: next.unseen_m },
    };
  }
  const step_m = legLength(way.last.latitude, way.last.longitude, latitude, longitude);
  const next = { ...way, known_s: now_s, unseen_m: way.unseen_m + Math.max(0, quiet_s * mps - step_m) };
  if (step_m >= Math.max(SMALLEST_STEP_M, accuracy ?? 0) || next.unseen_m > way.last.unseen_m) {
    next.seen_m += step_m;
    const along_m = way.last.home_m + step_m + next.unseen_m - way.last.unseen_m;
    const near = way.points.map((point) => [point, legLength(point[0], point[1], latitude, longitude)])
      .filter(([, apart_m]) => apart_m <= SAME_PLACE_M);
    const home_m = Math.min(along_m, ridden_m + step_m, ...near.map(([point, apart_m]) => point[2] + apart_m));
    next.points = near.length ? way.points : [...way.points, [latitude, longitude, home_m]];
    next.last = { latitude, longitude, home_m, unseen_m: next.unseen_m };
  }
  const [from_s, from_m] = quiet_s ? [Infinity, 0] : way.leg;
  if (!(now_s >= from_s)) next.leg = [now_s, next.seen_m];
  else if (now_s - from_s >= LEG_S) {
    const speed = (next.seen_m - from_m) / (now_s - from_s);
    next.legs = [...way.legs, ...(speed <= BELIEVED_MPS ? [[now_s, speed]] : [])]
      .filter(([at_s]) => Math.abs(now_s - at_s) <= RECENT_S);
    next.leg = [now_s, next.seen_m];
  }
  return next;
}
