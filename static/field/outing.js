// The session on this phone, and everything that can be added to it. Each action stores the record for the
// server and the phone's own copy of the session (its page) in one transaction.

import { stamp } from "./clock.js";
import { MOST_RELATIVE_U } from "./crossings.js";
import { chooseSign } from "./decimal_sign.js";
import { newKey } from "./elements.js";
import { assemble, careful, inWords, riddenInAll } from "./energy.js";
import { frameClock, passSpeed as speedOf, twoWayMean, written } from "./numbers.js";
import { keep } from "./queue.js";
import { compareClocks, longest_s, nextPlace, noteTap, runtime_s, timesOf, wasSet } from "./session_clock.js";
import { keepMeta, meta, read } from "./store.js";
import { beginWay, highestSpeed, settledWay, wayNow, withFix } from "./way.js";

let known = null;
export const reference = {
  get data() { return known; },
  set data(read) {
    known = read;
    chooseSign(read?.decimal_sign);
  },
};

export async function loadReference() {
  reference.data = (await meta("reference")) ?? null;
  return reference.data;
}

export async function current() {
  const id = await meta("outing");
  return id ? read("outings", id) : null;
}

export function revisionOf(outing) {
  return reference.data.revisions.find((revision) => revision.id === outing.session.revision) ?? null;
}

// The open test cards of the machine.
export function cardsOf(outing) {
  const vehicle = revisionOf(outing)?.vehicle;
  return reference.data.cards.filter((card) => card.vehicle === vehicle);
}

export function gatesOf(outing) {
  const known = reference.data.venues.find((venue) => venue.id === outing.session.venue)?.gates ?? [];
  return [...known, ...(outing.gates ?? [])].map((gate) => (outing.places?.[gate.id] ? { ...gate, record: { ...gate.record, marks: outing.places[gate.id] } } : gate));
}

// Compares both clocks at each tap and each second.
export async function tie(outing) {
  const clock = compareClocks(outing);
  if (!clock) return;
  outing.clock = clock;
  await setWay(outing, { clock });
}

// The stamp of now. If the phone's time was set meanwhile, it is counted from the start of the session.
async function stampNow(outing) {
  const began = outing.began_stamp ?? outing.stamps.started_at;
  if (!began || !wasSet(outing)) return stamp();
  return { ...began, wall_ms: outing.started_ms + 1000 * runtime_s(outing) };
}

// The next pass goes the other way.
export function otherWay(direction) {
  return direction === "out" ? "back" : "out";
}

export function pressUncertainty(outing) {
  return revisionOf(outing)?.assumptions.u_press_s ?? 0.1;
}

// Why a pass from rest does not count, as the server words it (sessions/outings/models/outings.py).
export const STANDING_START = "Standing start: timed from the first movement.";
export const isStandingStart = (pass) => pass.invalid_reason === STANDING_START;

export const STARTS = [["", "Flying"], [STANDING_START, "Standing"]];

// What is stored of how a pass began. From rest it counts for no speed; of a new pass the reason alone says so.
export const begun = (standing) => ({ start: standing ? "standing" : "", valid: !standing, invalid_reason: standing ? STANDING_START : "" });

export function passSpeed(outing, pass) {
  if (isStandingStart(pass)) return null;
  const gate = gatesOf(outing).find((candidate) => candidate.id === pass.gate);
  if (!gate) return null;
  // A speed through a gate that is known less well than this is not shown.
  if (pass.method === "satellite" && pass.u_duration_s > MOST_RELATIVE_U * pass.duration_s) return null;
  return speedOf({ ...gate, ...pass, u_press_s: pressUncertainty(outing) });
}

// The mean of the last two passes, where they went through one gate in both directions; else null.
export function bothWays(outing) {
  const [before, last] = outing.passes.slice(-2);
  const usable = (pass) => pass && pass.valid && !pass.timeless;
  if (!usable(before) || !usable(last) || before.gate !== last.gate || before.direction === last.direction) return null;
  const [first, other] = [passSpeed(outing, before), passSpeed(outing, last)];
  if (!first || !other) return null;
  const of_time = ({ value, u_duration_s }, pass) => (value * u_duration_s) / pass.duration_s;
  const mean = twoWayMean({
    out_mps: first.value, back_mps: other.value, u_out_mps: of_time(first, before), u_back_mps: of_time(other, last),
  });
  const { u_distance_m } = gatesOf(outing).find((gate) => gate.id === last.gate);
  return { value: mean.value, u: Math.hypot(mean.u, (mean.value * u_distance_m) / first.distance_m) };
}

// The mean of both ways as a sentence for the message after a pass, which stands on every screen; "" without one.
export async function bothWaysWords() {
  const both = bothWays(await current());
  return both ? ` Both ways: ${written(both.value, "speed", reference.data.units, both.u)}.` : "";
}

// A pass whose clocks disagree has no reliable time and does not count. `began_s` is time into the session.
export async function addPass(outing, measured, began_s, reason = "", noted = {}) {
  const id = newKey();
  const payload = {
    session: outing.id, ...measured, time_into_session_s: began_s,
    valid: !reason, invalid_reason: reason, sequence: nextPlace(outing),
  };
  const words = `Pass ${outing.passes.length + 1}, ${measured.duration_s.toFixed(2)} s`;
  await keep([{ id, kind: "passes", session: outing.id, needs: [outing.id, measured.gate], payload, words }], {
    outing: [outing.id, (page) => {
      page.passes.push({ id, words, ...payload, ...(reason && reason !== STANDING_START ? { timeless: true } : {}) });
      page.direction = otherWay(measured.direction);
      page.gate = measured.gate;
      Object.assign(page, noted);
      if (measured.method === "video") page.frames_per_s = measured.frames_per_s;
      noteTap(page, payload);
    }],
    draft: { video: `video/${outing.id}`, stopwatch: `pass/${outing.id}` }[measured.method] ?? "",
  });
  return id;
}

// The places of a gate's first and last mark. Marks between them keep their distances alone.
export async function placeMarks(outing, gate, first, last) {
  const place = ({ latitude_deg, longitude_deg }) => ({ latitude_deg, longitude_deg });
  const marks = gate.positions_m.map((position_m, index) => ({
    ...(gate.record?.marks?.[index] ?? {}), position_m,
    ...(index === 0 ? place(first) : index === gate.positions_m.length - 1 ? place(last) : {}),
  }));
  const { id: _, ...whole } = gate.record ?? { venue: outing.session.venue, name: gate.name, method: "taped", u_distance_m: gate.u_distance_m };
  await keep([{
    id: gate.id, kind: "gates", session: outing.id, needs: [outing.session.venue], payload: { ...whole, marks }, words: `Gate: ${gate.name}, with places`,
    base: gate.version, began: gate.record ?? null, changed: ["marks"],
  }], { outing: [outing.id, (page) => {
    page.places = { ...page.places, [gate.id]: marks };
  }] });
}

// Marks as both clocks saw them (session_clock.js).
export async function passFromTaps(outing, { gate, direction }, marks) {
  await tie(outing);
  const { times_s, reason } = timesOf(marks);
  if (!times_s) throw new Error(`this pass has no time, ${reason} Start over`);
  const duration_s = times_s[times_s.length - 1];
  return addPass(outing, {
    gate, direction, method: "stopwatch", duration_s,
    split_times_s: times_s.slice(0, -1), frames_per_s: null,
  }, Math.max(0, runtime_s(outing) - duration_s), reason);
}

export async function passFromVideo(outing, gate, { whole_s, frames, frames_per_s }, reason) {
  await tie(outing);
  return addPass(outing, {
    gate, direction: outing.direction, method: "video", duration_s: frameClock({ whole_s, frames, frames_per_s }),
    split_times_s: [], frames_per_s,
  }, null, reason);
}

export async function strike(outing, id, counts) {
  await changePass(outing, id, { valid: counts, invalid_reason: counts ? "" : "Struck out at the gate." });
}

export async function setStart(outing, id, standing) {
  await changePass(outing, id, begun(standing));
}

async function changePass(outing, id, changes) {
  const pass = outing.passes.find((entry) => entry.id === id);
  const { words, id: _, timeless, ...payload } = pass;
  Object.assign(payload, changes);
  await keep([{ id, kind: "passes", session: outing.id, needs: [outing.id, pass.gate], payload, words, changed: Object.keys(changes) }], {
    outing: [outing.id, (page) => Object.assign(page.passes.find((entry) => entry.id === id), payload)],
  });
}

export async function setWay(outing, change) {
  await keep([], { outing: [outing.id, (page) => Object.assign(page, change)] });
}

export async function addGate(outing, { name, positions_m, u_distance_m }) {
  const id = newKey();
  const payload = {
    venue: outing.session.venue, name, method: "taped", u_distance_m,
    marks: positions_m.map((position_m) => ({ position_m })),
  };
  const words = `Gate: ${name}`;
  await keep([{ id, kind: "gates", session: outing.id, needs: [outing.session.venue], payload, words }], {
    outing: [outing.id, (page) => {
      page.gates.push({ id, name, u_distance_m, positions_m });
      page.gate = id;
    }],
    draft: `gate/${outing.id}`,
  });
  return id;
}

export async function addReading(outing, values, words) {
  const id = newKey();
  await tie(outing);
  const payload = { session: outing.id, time_into_session_s: runtime_s(outing), note: "", ...values, sequence: nextPlace(outing) };
  await keep([{ id, kind: "readings", session: outing.id, needs: [outing.id], payload, words }], {
    outing: [outing.id, (page) => {
      // The distance at the time of the reading; what follows is ridden since.
      if (hasMeasurement(payload) || payload.note === TO_READ) page.way = settledWay(page.way ?? beginWay(), longest_s(page), fastest(page).mps);
      const { seen_m, unseen_m, whole } = wayNow(page.way ?? beginWay(), longest_s(page), 0);
      noteTap(page, payload);
      page.readings.push({ id, words, ...payload, seen_m, unseen_m, whole });
      // The next reading shows the fields of this one first.
      const kinds = Object.keys(values).filter((name) => name !== "note");
      if (kinds.length) page.reading_fields = kinds;
    }],
    draft: values.note ? `note/${outing.id}` : `reading/${outing.id}`,
  });
  return id;
}

export async function addFailure(outing, { mode, mode_name, severity, effect, conditions }) {
  const id = newKey();
  await tie(outing);
  const payload = {
    revision: outing.session.revision, session: outing.id, time_into_session_s: runtime_s(outing),
    ...(mode ? { mode } : { mode_name }), severity, effect, conditions,
  };
  const words = `Failure: ${mode_name}`;
  const happened = await stampNow(outing);
  await keep([{ id, kind: "failures", session: outing.id, needs: [outing.id], payload, stamps: { happened_at: happened }, words }], {
    outing: [outing.id, (page) => page.failures.push({ id, words, ...payload, mode_name, stamps: { happened_at: happened } })],
    draft: `failure/${outing.id}`,
  });
  return id;
}

export async function describeFailure(outing, id, conditions) {
  const { words, id: _, mode_name, stamps, ...payload } = outing.failures.find((entry) => entry.id === id);
  payload.conditions = conditions;
  if (!payload.mode) payload.mode_name = mode_name;
  await keep([{ id, kind: "failures", session: outing.id, needs: [outing.id], payload, stamps, words, changed: ["conditions"] }], {
    outing: [outing.id, (page) => Object.assign(page.failures.find((entry) => entry.id === id), { conditions })],
  });
}

export async function addPhoto(outing, file, { failure = null, caption = "" } = {}) {
  const id = newKey();
  const bytes = await file.arrayBuffer();
  const payload = failure ? { failure, caption } : { session: outing.id, caption };
  const words = `Photo, ${(bytes.byteLength / 1e6).toFixed(1)} MB`;
  await keep([{ id, kind: "photos", session: outing.id, needs: [failure ?? outing.id], payload, words }], {
    photos: [{ id, bytes, type: file.type || "image/jpeg" }],
    outing: [outing.id, (page) => page.photos.push({ id, words, ...payload })],
  });
  return id;
}

export const TO_READ = "Photographed; digits to be read off.";

// A reading whose digits come later, from a photo of the meter. It has its place in the order of taps now.
export async function addMeterPhoto(outing, file) {
  const reading = await addReading(outing, { note: TO_READ }, "Meter photographed, to be read off");
  const photo = await addPhoto(await current(), file, { caption: "Meter" });
  await keep([], { outing: [outing.id, (page) => { page.readings.find((row) => row.id === reading).to_read = photo; }] });
}

export async function tick(outing, card_item, outcome) {
  const { item, version } = card_item;
  const payload = { ...item, outcome, session: outcome === "open" ? null : outing.id };
  const words = `Test card: ${item.what}`;
  const changed = ["outcome", "session"];
  await keep([{ id: item.id, kind: "test-card-items", session: outing.id, needs: [outing.id], payload, words, base: version, began: item, changed }], {
    outing: [outing.id, (page) => { page.ticks[item.id] = outcome; }],
  });
}

export async function addTrackPart(outing, fixes, stopped_by_phone) {
  const id = newKey();
  const payload = { session: outing.id, fixes, stopped_by_phone };
  const words = `Track, ${fixes.length} positions`;
  await keep([{ id, kind: "track-parts", session: outing.id, needs: [outing.id], payload, words }], {
    outing: [outing.id, (page) => {
      page.track ??= { fixes: 0 };
      page.track.fixes += fixes.length;
    }],
    draft: `track/${outing.id}`,
  });
}

// Writes the session itself: measurements before and after, and its end.
export async function write(outing, values, { ends = false, reopens = false } = {}) {
  const payload = { ...outing.session, ...values };
  const stamps = { ...outing.stamps };
  await tie(outing);
  if (ends) stamps.ended_at = await stampNow(outing);
  if (reopens) {
    delete stamps.ended_at;
    payload.ended_at = null;
  }
  if (outing.joined) payload.started_at = outing.started_at;
  const changed = [...Object.keys(values), ...(ends || reopens ? ["ended_at"] : [])];
  const record = {
    id: outing.id, kind: "sessions", session: outing.id, payload, stamps, base: outing.version, began: outing.began ?? null, changed,
    needs: [payload.venue], words: `Session with ${outing.revision_name}`,
  };
  await keep(changed.length ? [record] : [], {
    outing: [outing.id, (page) => {
      Object.assign(page.session, values);
      page.stamps = stamps;
      if (ends) page.ended_ms = Date.now();
      if (reopens) page.ended_ms = null;
    }],
    draft: `end/${outing.id}`,
  });
}

export async function leave() {
  await keepMeta("outing", null);
}

// Energy left and turn-back distance now, with sentences (energy.js).
export function energyState(outing, now_s = longest_s(outing)) {
  const revision = revisionOf(outing);
  const earlier = revision?.consumption ?? null;
  const speed = fastest(outing);
  const way = wayNow(outing.way ?? beginWay(), now_s, speed.mps);
  // The position of the start alone (noteHome in track.js) is no track.
  if (!outing.track) way.home_m = null;
  const state = assemble({
    pack: revision?.pack ?? null, assumptions: revision?.assumptions, earlier,
    rest_voltage_start_v: outing.session.rest_voltage_start_v, air_temperature_c: outing.session.air_temperature_c,
    battery_temperatures: outing.readings.filter((reading) => typeof reading.battery_temperature_c === "number")
      .map((reading) => [reading.id, reading.battery_temperature_c]),
    readings: outing.readings.filter(hasMeasurement), way, lowest: outing.lowest,
    doubted: { ...outing.doubted, session: outing.doubted?.[outing.id] ?? [] },
  });
  const since_s = Math.max(0, runtime_s(outing) - (state.read?.time_into_session_s ?? 0));
  const known = {
    way, since_s, speed, track_on: Boolean(outing.track?.on), ended: outing.ended_ms !== null,
    earlier_sessions: earlier?.sessions, reserve_fraction: revision?.assumptions.reserve_fraction,
  };
  return {
    ...state, way, since_s, speed, words: inWords(state, known, reference.data.units),
    careful: careful(state, { speed_mps: speed.mps, pack: revision?.pack, assumptions: revision?.assumptions }),
  };
}

// A note is stored as a reading too, but holds no measurement.
function hasMeasurement(reading) {
  return ["charge_used_ah", "distance_m", "voltage_v", "current_a"].some((name) => typeof reading[name] === "number");
}

const RECENT_PASSES = 10;

function fastest(outing) {
  const passes = outing.passes.filter((pass) => pass.valid).slice(-RECENT_PASSES).map((pass) => passSpeed(outing, pass)?.value ?? 0);
  return highestSpeed(outing.way, passes, revisionOf(outing)?.consumption?.speed_mps);
}

// Adds a good position. Until the next reading, the turn-back distance may not exceed the values shown before and
// after it, so it never grows on the way out.
export function arrive(outing, coords) {
  const now_s = longest_s(outing);
  const before = energyState(outing, now_s);
  const all = riddenInAll(outing.readings.filter(hasMeasurement), before.way);
  outing.way = withFix(outing.way ?? beginWay(), coords, now_s, fastest(outing).mps, all.seen_m + all.unseen_m);
  const states = [before, energyState(outing, now_s)].filter((state) => state.turn);
  if (states.length) outing.lowest = { since: before.since, turn_m: Math.min(...states.map((state) => state.turn.value)) };
}
