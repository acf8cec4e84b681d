// Hands-free passes: a gate whose marks have coordinates, and what the track says of rides through it. A pass is taken
// when the fixes around it are in; a doubtful one is offered.

import { gatePasses, localPlane } from "./crossings.js";
import { button, el, feel, say } from "./elements.js";
import { written } from "./numbers.js";
import { addPass, bothWaysWords, current, gatesOf, passSpeed, reference, setWay, STANDING_START } from "./outing.js";
import { speak, tone } from "./sound.js";
import { meta } from "./store.js";

// Fixes so long after a pass still help to time it.
const SETTLED_S = 16;
// A pass through one gate begins no sooner after another than this.
const SAME_S = 3;
// A quarter of an hour and more at one a second.
const MOST_FIXES = 1200;
const WORST_ACCURACY_M = 25;
const DOUBTS = { gap: "positions are missing around it", path: "it was not ridden straight from mark to mark", stop: "the machine nearly stood", start: "it began from rest on the first mark" };

const trail = { id: null, fixes: [] };

export function coordinatesOf(gate) {
  const marks = gate?.record?.marks ?? gate?.marks ?? [];
  const ends = [marks[0], marks[marks.length - 1]];
  return ends.every((mark) => typeof mark?.latitude_deg === "number") ? ends : null;
}

// Which gates of this venue the phone finds passes through by itself.
export function handsFreeGates(outing) {
  return gatesOf(outing).filter((gate) => coordinatesOf(gate));
}

function trackThrough(gate, fixes, u_mark_m) {
  const ends = coordinatesOf(gate);
  const plane = localPlane((ends[0].latitude_deg + ends[1].latitude_deg) / 2, ends[0].longitude_deg);
  const marks = ends.map((mark) => plane(mark.latitude_deg, mark.longitude_deg));
  const places = fixes.map((fix) => plane(fix.latitude, fix.longitude));
  const has_speed = fixes.some((fix) => fix.speed_mps !== null);
  return {
    time_s: fixes.map((fix) => fix.time_s), east_m: places.map((place) => place.east_m), north_m: places.map((place) => place.north_m),
    mark_east_m: marks.map((mark) => mark.east_m), mark_north_m: marks.map((mark) => mark.north_m),
    mark_distance_m: gate.positions_m.map((position_m) => position_m - gate.positions_m[0]),
    speed_mps: has_speed ? fixes.map((fix) => fix.speed_mps) : null, accuracy_m: fixes.map((fix) => fix.accuracy_m), u_mark_m,
  };
}

const UNKNOWN_MARK_U_M = 3.3;

function isKnown(outing, gate, began_s, ended_s) {
  const rides = outing.rides ?? [];
  if (rides.some((ride) => ride.gate === gate.id && Math.abs(ride.began_s - began_s) < SAME_S)) return true;
  // A person timed it by hand.
  return outing.passes.some((pass) => pass.gate === gate.id && pass.method !== "satellite" && pass.time_into_session_s !== null &&
    pass.time_into_session_s < ended_s && pass.time_into_session_s + pass.duration_s > began_s);
}

// Takes in a position of the track. Times are into the session and grow.
export async function noteFix(app, outing, { time_s, coords }) {
  if (trail.id !== outing.id) Object.assign(trail, { id: outing.id, fixes: [] });
  const last = trail.fixes[trail.fixes.length - 1];
  if ((coords.accuracy ?? 0) > WORST_ACCURACY_M || (last && !(time_s > last.time_s))) return;
  trail.fixes.push({
    time_s, latitude: coords.latitude, longitude: coords.longitude, accuracy_m: coords.accuracy ?? null,
    speed_mps: typeof coords.speed === "number" && coords.speed >= 0 ? coords.speed : null,
  });
  if (trail.fixes.length > MOST_FIXES) trail.fixes.splice(0, MOST_FIXES / 4);
  await lookForPasses(app, outing, time_s - SETTLED_S);
}

// One look after another, so that no pass is taken twice.
let looking = Promise.resolve();

// When the track stops, passes need not wait for more fixes.
export function lookForPasses(app, outing, settled_s = Infinity) {
  looking = looking.catch(() => {}).then(() => look(app, outing, settled_s));
  return looking;
}

async function look(app, outing, settled_s) {
  for (const gate of handsFreeGates(outing)) {
    const u_mark_m = (await meta(`mark_u/${gate.id}`)) ?? UNKNOWN_MARK_U_M;
    for (const pass of gatePasses(trackThrough(gate, trail.fixes, u_mark_m))) {
      const [began_s, ended_s] = [pass.mark_s[0], pass.mark_s[pass.mark_s.length - 1]];
      const now = await current();
      if (ended_s > settled_s || now?.id !== outing.id || isKnown(now, gate, began_s, ended_s)) continue;
      if (pass.doubts.length) await offer(now, gate, pass);
      else await take(app, now, gate, pass);
    }
  }
}

async function offer(outing, gate, pass) {
  const rides = [...(outing.rides ?? []), { gate: gate.id, began_s: pass.mark_s[0], doubtful: pass }];
  await setWay(outing, { rides });
}

async function take(app, outing, gate, pass) {
  const [began_s] = pass.mark_s;
  const direction = pass.is_out ? "out" : "back";
  const rides = [...(outing.rides ?? []).filter((ride) => !(ride.doubtful && ride.gate === gate.id && ride.began_s === began_s)), { gate: gate.id, began_s }];
  const measured = {
    gate: gate.id, direction, method: "satellite", duration_s: pass.duration_s, u_duration_s: pass.u_duration_s,
    split_times_s: pass.mark_s.slice(1, -1).map((at_s) => at_s - began_s), frames_per_s: null,
  };
  if (pass.is_standing) {
    await addPass(outing, measured, began_s, STANDING_START, { rides });
    say("A standing start, by satellite: kept with its time, and left out of every speed. Saved on this phone.");
    await app.refresh();
    return;
  }
  await addPass(outing, measured, began_s, "", { rides });
  const speed = passSpeed(outing, measured);
  const { units } = reference.data;
  const number = outing.passes.length + 1;
  const figure = speed ? (speed.value * units.speed.factor).toFixed(1) : "too short for a speed";
  tone("pass");
  speak(`Pass ${number}, ${direction}, ${figure}`);
  say(`Pass ${number}, ${direction}, ${speed ? written(speed.value, "speed", units, speed.u) : `known to ${Math.round(200 * pass.u_duration_s / pass.duration_s)} % only, so no speed is shown`}, by satellite. Saved on this phone.${await bothWaysWords()}`);
  await app.refresh();
}

// Passes that are in doubt, each to be taken or left.
export function doubtfulPasses(app, outing) {
  const { units } = reference.data;
  return (outing.rides ?? []).filter((ride) => ride.doubtful).map((ride) => {
    const { doubtful } = ride;
    const gate = gatesOf(outing).find((candidate) => candidate.id === ride.gate);
    if (!gate) return null;
    const why = doubtful.doubts.map((doubt) => DOUBTS[doubt]).join(", and ");
    return el("section", { class: "notice doubtful-pass" },
      el("p", {}, `A pass through ${gate.name}, ${doubtful.is_out ? "out" : "back"}, ${written(doubtful.duration_s, "duration", units, doubtful.u_duration_s)}? In doubt: ${why}.`),
      el("div", { class: "row" },
        button(doubtful.is_standing ? "It was a standing start" : "It was a pass", async () => { await take(app, await current(), gate, doubtful); await app.render(); }),
        button("It was none", async () => {
          const now = await current();
          await setWay(now, { rides: now.rides.map((other) => (other.doubtful && other.began_s === ride.began_s ? { gate: ride.gate, began_s: ride.began_s } : other)) });
          feel();
          await app.render();
        })));
  });
}

// A sentence on what is found by itself, for the riding screen.
export function handsFreeWords(outing, is_on) {
  const gates = handsFreeGates(outing);
  if (!gates.length) return "";
  const names = gates.map((gate) => gate.name).join(", ");
  return is_on ? `Passes through ${names} are found by themselves while this screen is on.` : `Passes through ${names} are found by themselves once the track runs.`;
}

