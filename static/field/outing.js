// The session as this phone knows it, and everything that can be added to it. Each action puts the
// record for the server and this phone's own page of the session on disk in one transaction.

import { stamp } from "./clock.js";
import { newKey } from "./elements.js";
import { energyFromCharge, energyLeft, frameClock, frameDurationU, gateSpeed, stateOfCharge, stopwatchDuration,
  turnBackDistance } from "./numbers.js";
import { keep, takeBack } from "./queue.js";
import { keepMeta, meta, read } from "./store.js";

export const reference = { told: null };

export async function loadReference() {
  reference.told = (await meta("reference")) ?? null;
  return reference.told;
}

export async function current() {
  const id = await meta("outing");
  return id ? read("outings", id) : null;
}

export function revisionOf(outing) {
  return reference.told.revisions.find((one) => one.id === outing.session.revision) ?? null;
}

// The open test cards of the machine.
export function cardsOf(outing) {
  const vehicle = revisionOf(outing)?.vehicle;
  return reference.told.cards.filter((one) => one.vehicle === vehicle);
}

export function gatesOf(outing) {
  const known = reference.told.venues.find((one) => one.id === outing.session.venue)?.gates ?? [];
  return [...known, ...(outing.gates ?? [])];
}

export function runtime_s(outing, now_ms = Date.now()) {
  return Math.max(0, ((outing.ended_ms ?? now_ms) - outing.started_ms) / 1000);
}

function blank(id, session, started_ms) {
  return {
    id, session, started_ms, ended_ms: null, stamps: {}, passes: [], readings: [], failures: [], photos: [],
    gates: [], ticks: {}, gate: null, direction: "out", track: null,
  };
}

export async function start(choice, check) {
  const id = newKey();
  const records = [];
  let venue = choice.venue;
  if (!venue) {
    venue = newKey();
    const payload = { name: choice.venue_name, notes: "" };
    records.push({ id: venue, kind: "venues", session: id, payload, words: `Venue: ${choice.venue_name}` });
  }
  const began = await stamp();
  const session = { revision: choice.revision, venue, ...choice.conditions };
  records.push({
    id, kind: "sessions", session: id, payload: session, stamps: { started_at: began },
    needs: [venue], words: `Session with ${choice.revision_name}`,
  });
  const key = newKey();
  records.push({
    id: key, kind: "go-no-go-checks", session: id, needs: [id],
    payload: { session: id, ...check.answers, reason_to_go_on: check.reason }, words: "Go/no-go check",
  });
  await keep(records, {
    outing: [id, (held) => Object.assign(held, blank(id, session, began.wall_ms), {
      stamps: { started_at: began }, venue_name: choice.venue_name, revision_name: choice.revision_name,
    })],
    draft: "start",
  });
  await keepMeta("outing", id);
  return id;
}

// A second phone on a session that another one started.
export async function join(going, names) {
  const { id, started_at, ...session } = going.session;
  const offset_ms = (await meta("contact"))?.offset_ms ?? 0;
  const started_ms = Date.parse(started_at) - offset_ms;
  await keep([], {
    outing: [id, (held) => Object.assign(held, blank(id, session, started_ms), {
      joined: true, version: going.version, started_at, ...names,
      direction: going.passes % 2 ? "back" : "out",
    })],
  });
  await keepMeta("outing", id);
  return id;
}

// The last pass tells which way the next one goes.
export function otherWay(direction) {
  return direction === "out" ? "back" : "out";
}

export function pressUncertainty(outing) {
  return revisionOf(outing)?.assumptions.u_press_s ?? 0.1;
}

export function passSpeed(outing, pass) {
  const gate = gatesOf(outing).find((one) => one.id === pass.gate);
  if (!gate) return null;
  const positions = gate.positions_m;
  const distance_m = positions[positions.length - 1] - positions[0];
  const u_duration_s = pass.method === "video"
    ? frameDurationU({ frames_per_s: pass.frames_per_s })
    : stopwatchDuration({ start_s: 0, stop_s: pass.duration_s, u_press_s: pressUncertainty(outing) }).u;
  const speed = gateSpeed({ distance_m, duration_s: pass.duration_s, u_distance_m: gate.u_distance_m, u_duration_s });
  return { ...speed, distance_m, u_duration_s };
}

async function addPass(outing, made, began_ms) {
  const id = newKey();
  const payload = {
    session: outing.id, ...made,
    time_into_session_s: began_ms === null ? null : Math.max(0, (began_ms - outing.started_ms) / 1000),
    valid: true, invalid_reason: "",
  };
  const words = `Pass ${outing.passes.length + 1}, ${made.duration_s.toFixed(2)} s`;
  await keep([{ id, kind: "passes", session: outing.id, needs: [outing.id, made.gate], payload, words }], {
    outing: [outing.id, (held) => {
      held.passes.push({ id, words, ...payload });
      held.direction = otherWay(made.direction);
      held.gate = made.gate;
      if (made.method === "video") held.frames_per_s = made.frames_per_s;
    }],
    draft: `pass/${outing.id}`,
  });
  return id;
}

// Taps at the marks, in milliseconds of one clock.
export function passFromTaps(outing, gate, taps_ms) {
  const times = taps_ms.map((tap) => (tap - taps_ms[0]) / 1000);
  return addPass(outing, {
    gate, direction: outing.direction, method: "stopwatch", duration_s: times[times.length - 1],
    split_times_s: times.slice(1, -1), frames_per_s: null,
  }, taps_ms[0]);
}

export function passFromVideo(outing, gate, { whole_s, frames, frames_per_s }) {
  return addPass(outing, {
    gate, direction: outing.direction, method: "video", duration_s: frameClock({ whole_s, frames, frames_per_s }),
    split_times_s: [], frames_per_s,
  }, null);
}

export async function strike(outing, id, counts) {
  const pass = outing.passes.find((one) => one.id === id);
  const { words, id: _, ...payload } = pass;
  Object.assign(payload, { valid: counts, invalid_reason: counts ? "" : "Struck out at the gate." });
  await keep([{ id, kind: "passes", session: outing.id, needs: [outing.id, pass.gate], payload, words }], {
    outing: [outing.id, (held) => Object.assign(held.passes.find((one) => one.id === id), payload)],
  });
}

export async function setWay(outing, change) {
  await keep([], { outing: [outing.id, (held) => Object.assign(held, change)] });
}

export async function addGate(outing, { name, positions_m, u_distance_m }) {
  const id = newKey();
  const payload = {
    venue: outing.session.venue, name, method: "taped", u_distance_m,
    marks: positions_m.map((position_m) => ({ position_m })),
  };
  const words = `Gate: ${name}`;
  await keep([{ id, kind: "gates", session: outing.id, needs: [outing.session.venue], payload, words }], {
    outing: [outing.id, (held) => {
      held.gates.push({ id, name, u_distance_m, positions_m });
      held.gate = id;
    }],
    draft: `gate/${outing.id}`,
  });
  return id;
}

export async function addReading(outing, values, words) {
  const id = newKey();
  const payload = { session: outing.id, time_into_session_s: runtime_s(outing), note: "", ...values };
  await keep([{ id, kind: "readings", session: outing.id, needs: [outing.id], payload, words }], {
    outing: [outing.id, (held) => {
      held.readings.push({ id, words, ...payload });
      // The next reading asks first for what this one held.
      const kinds = Object.keys(values).filter((name) => name !== "note");
      if (kinds.length) held.reading_fields = kinds;
    }],
    draft: values.note ? `note/${outing.id}` : `reading/${outing.id}`,
  });
  return id;
}

export async function addFailure(outing, { mode, mode_name, severity, effect, conditions }) {
  const id = newKey();
  const payload = {
    revision: outing.session.revision, session: outing.id, time_into_session_s: runtime_s(outing),
    ...(mode ? { mode } : { mode_name }), severity, effect, conditions,
  };
  const words = `Failure: ${mode_name}`;
  const happened = await stamp();
  await keep([{ id, kind: "failures", session: outing.id, needs: [outing.id], payload, stamps: { happened_at: happened }, words }], {
    outing: [outing.id, (held) => held.failures.push({ id, words, ...payload, mode_name, stamps: { happened_at: happened } })],
    draft: `failure/${outing.id}`,
  });
  return id;
}

export async function describeFailure(outing, id, conditions) {
  const { words, id: _, mode_name, stamps, ...payload } = outing.failures.find((one) => one.id === id);
  payload.conditions = conditions;
  if (!payload.mode) payload.mode_name = mode_name;
  await keep([{ id, kind: "failures", session: outing.id, needs: [outing.id], payload, stamps, words }], {
    outing: [outing.id, (held) => Object.assign(held.failures.find((one) => one.id === id), { conditions })],
  });
}

export async function addPhoto(outing, file, { failure = null, caption = "" } = {}) {
  const id = newKey();
  const bytes = await file.arrayBuffer();
  const payload = failure ? { failure, caption } : { session: outing.id, caption };
  const words = `Photo, ${(bytes.byteLength / 1e6).toFixed(1)} MB`;
  await keep([{ id, kind: "photos", session: outing.id, needs: [failure ?? outing.id], payload, words }], {
    photos: [{ id, bytes, type: file.type || "image/jpeg" }],
    outing: [outing.id, (held) => held.photos.push({ id, words, failure })],
  });
  return id;
}

export async function tick(outing, card_item, outcome) {
  const { item, version } = card_item;
  const payload = { ...item, outcome, session: outcome === "open" ? null : outing.id };
  const words = `Test card: ${item.what}`;
  await keep([{ id: item.id, kind: "test-card-items", session: outing.id, needs: [outing.id], payload, words, base: version }], {
    outing: [outing.id, (held) => { held.ticks[item.id] = outcome; }],
  });
}

export async function addTrackPart(outing, fixes, stopped_by_phone) {
  const id = newKey();
  const payload = { session: outing.id, fixes, stopped_by_phone };
  const words = `Track, ${fixes.length} positions`;
  await keep([{ id, kind: "track-parts", session: outing.id, needs: [outing.id], payload, words }], {
    outing: [outing.id, (held) => {
      held.track ??= { fixes: 0, length_m: 0 };
      held.track.fixes += fixes.length;
    }],
    draft: `track/${outing.id}`,
  });
}

// The session itself: what was measured before, after, and its end.
export async function write(outing, values, { ends = false, reopens = false } = {}) {
  const payload = { ...outing.session, ...values };
  const stamps = { ...outing.stamps };
  if (ends) stamps.ended_at = await stamp();
  if (reopens) {
    delete stamps.ended_at;
    payload.ended_at = null;
  }
  if (outing.joined) payload.started_at = outing.started_at;
  const record = {
    id: outing.id, kind: "sessions", session: outing.id, payload, stamps, base: outing.version,
    needs: [payload.venue], words: `Session with ${outing.revision_name}`,
  };
  await keep([record], {
    outing: [outing.id, (held) => {
      Object.assign(held.session, values);
      held.stamps = stamps;
      if (ends) held.ended_ms = stamps.ended_at.wall_ms;
      if (reopens) held.ended_ms = null;
    }],
    draft: `end/${outing.id}`,
  });
}

export async function leave() {
  await keepMeta("outing", null);
}

export async function undo(outing, list, id) {
  await takeBack(id, [outing.id, (held) => { held[list] = held[list].filter((one) => one.id !== id); }]);
}

// What is left, by the same rules as the session's page on the server: pack at the start, less the
// charge used times the mean voltage under load (two readings or more) or else the pack's nominal one.
export function energyState(outing) {
  const revision = revisionOf(outing);
  const pack = revision?.pack;
  const latest = (name) => outing.readings.filter((one) => typeof one[name] === "number")
    .sort((one, other) => other.time_into_session_s - one.time_into_session_s)[0];
  const counted = latest("charge_used_ah");
  const ridden = latest("distance_m");
  const state = { charge: counted ?? null, left: null, turn: null, needs: [] };
  if (!pack) {
    state.needs.push("a battery pack on the revision");
    return state;
  }
  if (!counted) {
    state.needs.push("a reading of charge used");
    return state;
  }
  const known = revision.assumptions;
  const loaded = outing.readings.filter((one) => one.current_a > 0 && typeof one.voltage_v === "number").map((one) => one.voltage_v);
  let mean_voltage_v = pack.nominal_voltage_v;
  let u_mean_voltage_v = 0.04 * pack.nominal_voltage_v;
  if (loaded.length >= 2) {
    mean_voltage_v = loaded.reduce((sum, volts) => sum + volts, 0) / loaded.length;
    const square = loaded.reduce((sum, volts) => sum + (volts - mean_voltage_v) ** 2, 0);
    u_mean_voltage_v = Math.hypot(Math.sqrt(square / ((loaded.length - 1) * loaded.length)), known.u_voltage_v);
  }
  const charge_ah = Math.max(0, counted.charge_used_ah);
  const used = energyFromCharge({
    charge_ah, mean_voltage_v, u_charge_ah: charge_ah * known.u_charge_fraction, u_mean_voltage_v,
  });
  const rest = outing.session.rest_voltage_start_v;
  const share = rest ? stateOfCharge({ rest_voltage_v: rest, curve: pack.curve }) : null;
  state.from_full = share === null;
  const value = energyLeft({ usable_energy_wh: pack.energy_wh * (share ?? 1), used_energy_wh: used.value });
  const u = Math.hypot(known.u_rest_charge_fraction * pack.energy_wh, used.u);
  state.left = { value, u };
  const own = ridden && ridden.distance_m >= 1000 && used.value > 0;
  const per_km = own
    ? { value: (1000 * used.value) / ridden.distance_m, u: ((1000 * used.value) / ridden.distance_m) *
        Math.hypot(used.u / used.value, known.u_distance_fraction) }
    : revision.consumption && { value: revision.consumption.wh_per_km, u: revision.consumption.u_wh_per_km };
  if (!per_km) {
    state.needs.push("a reading of distance, or an earlier session's energy per km");
    return state;
  }
  state.consumption = { ...per_km, own: Boolean(own), sessions: revision.consumption?.sessions ?? 0 };
  state.turn = turnBackDistance({
    energy_left_wh: value, reserve_fraction: known.reserve_fraction,
    consumption_out_wh_per_km: per_km.value, consumption_home_wh_per_km: per_km.value,
    u_energy_left_wh: u, u_consumption_out_wh_per_km: per_km.u, u_consumption_home_wh_per_km: per_km.u,
    distance_from_home_m: outing.track?.from_start_m ?? 0, consumption_correlation: 1,
  });
  return state;
}
