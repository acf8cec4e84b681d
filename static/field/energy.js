// Energy left in the pack and turn-back distance, by the same rules as the session's page on the server
// (calc/session_energy.py, calc/session_endurance.py), less the distance ridden since the last reading.
// Pure functions. tests/browser/assemblies.json holds whole answers from an independent calculation.

import {
  chargeMovedBy, coldCapacity, energyFromCharge, energyLeft, lengthOfTime, runtimeLeft, stateOfCharge, turnBackDistance,
  widenedU, written,
} from "./numbers.js";

// A shorter ride gives no useful energy per km.
const TELLS_FROM_M = 1000;
// Regeneration lowers a charge counter a little. A fall below this share of its last value is a reset.
const CHARGE_RESET = 0.5;
// Coverage factor of the upper limit of energy per km: twice the standard uncertainty.
const UPPER = 2;

// An uncertainty budget: signed contributions by source, so that shared sources add or cancel (calc/budget.py).
const times = (budget, factor) => Object.fromEntries(Object.entries(budget).map(([source, share]) => [source, share * factor]));
const plus = (first, other) => {
  const sum = { ...first };
  for (const [source, share] of Object.entries(other)) sum[source] = (sum[source] ?? 0) + share;
  return sum;
};
const spread = (budget) => Math.hypot(...Object.values(budget));

// The total of a counter at each reading, in the order of taps, continued over resets.
function counted(readings, name, reset_below) {
  let before = 0;
  let last = null;
  let resets = 0;
  return readings.map((reading) => {
    const here = typeof reading[name] === "number";
    if (here) {
      if (last > 0 && reading[name] < last * reset_below) {
        before += last;
        resets += 1;
      }
      last = reading[name];
    }
    return { here, total: last === null ? null : before + last, resets };
  });
}

const lastWhere = (rows, holds) => rows.reduce((last, row, index) => (holds(row, index) ? index : last), -1);

function meanVoltage({ pack, assumptions, readings }) {
  const volts = readings.filter((reading) => reading.current_a > 0 && typeof reading.voltage_v === "number").map((reading) => reading.voltage_v);
  const count = volts.length;
  if (count < 2) return { value: pack.nominal_voltage_v, budget: { assumed_voltage: 0.04 * pack.nominal_voltage_v }, count };
  const value = volts.reduce((sum, volt) => sum + volt, 0) / count;
  const scatter = Math.sqrt(volts.reduce((sum, volt) => sum + (volt - value) ** 2, 0) / (count - 1));
  // Equal readings are still no more precise than the voltmeter.
  const u = Math.max(scatter, assumptions.u_voltage_v) / Math.sqrt(count);
  return { value, budget: { under_load: widenedU({ u, dof: count - 1 }), voltmeter: assumptions.u_voltage_v }, count };
}

// The share of the pack that the cold holds back, by the battery's lowest temperature, or else the air's; 0 where
// neither is known.
function coldShare({ assumptions, battery_temperature_c, air_temperature_c }) {
  const temperature_c = battery_temperature_c ?? air_temperature_c ?? null;
  const fraction_per_c = assumptions.cold_loss_per_c_fraction ?? 0;
  if (temperature_c === null) return 0;
  return 1 - coldCapacity({ capacity_ah: 1, temperature_c: Math.min(80, Math.max(-60, temperature_c)), fraction_per_c });
}

function atStart(facts) {
  const { pack, assumptions, rest_voltage_start_v } = facts;
  const rest = { rest_voltage_v: rest_voltage_start_v, curve: pack.curve };
  const share = rest_voltage_start_v ? stateOfCharge(rest) : null;
  const moved = share === null ? 0 : chargeMovedBy({ ...rest, u_voltage_v: assumptions.u_voltage_v });
  const cold = coldShare(facts);
  const value = pack.energy_wh * ((share ?? 1) - cold);
  return {
    value, from_full: share === null, cold,
    budget: {
      start: assumptions.u_rest_charge_fraction * pack.energy_wh, voltmeter: pack.energy_wh * moved,
      pack: value * (pack.u_energy_wh / pack.energy_wh), cold: -pack.energy_wh * cold * (pack.u_cold_share ?? 0),
    },
  };
}

function usedAt(charge_ah, voltage, { assumptions }) {
  const { value } = energyFromCharge({ charge_ah, mean_voltage_v: voltage.value });
  const counter = { counter: charge_ah * assumptions.u_charge_fraction * voltage.value };
  return { value, budget: plus(counter, times(voltage.budget, charge_ah)) };
}

// Energy per km: from this session if a reading has charge and distance, otherwise from earlier sessions. After a
// counter reset, the highest of the possible values.
function perKm(facts, charges, distances, voltage) {
  const { readings, assumptions, earlier } = facts;
  const rides = readings.map((reading, index) => ({
    charge_ah: charges[index].here ? charges[index].total : 0,
    distance_m: distances[index].here ? distances[index].total : reading.whole ? reading.seen_m : 0,
    resets: charges[index].resets + distances[index].resets,
  })).filter(({ charge_ah, distance_m }) => charge_ah > 0 && distance_m >= TELLS_FROM_M);
  const own = ({ charge_ah, distance_m }) => {
    const used = usedAt(charge_ah, voltage, facts);
    const value = (1000 * used.value) / distance_m;
    const budget = plus(times(used.budget, 1000 / distance_m), { distance: -value * assumptions.u_distance_fraction });
    return { value, budget, from: "session" };
  };
  const before = earlier && { value: earlier.wh_per_km, budget: { earlier: earlier.u_wh_per_km }, from: "earlier" };
  const last = rides[rides.length - 1];
  if (!last) return before ?? null;
  if (!last.resets) return own(last);
  const unreset = rides.filter((ride) => !ride.resets).slice(-1);
  const possible = [...[last, ...unreset].map(own), before].filter(Boolean);
  return { ...possible.reduce((high, candidate) => (candidate.value > high.value ? candidate : high)), from: "highest" };
}

const u_of = (seen_m, unseen_m, { assumptions }) => Math.hypot(assumptions.u_distance_fraction * seen_m, unseen_m / Math.sqrt(12));

// The distance ridden since the start: the trip counter's, plus the distance since it was read.
export function riddenInAll(readings, way) {
  const distances = counted(readings, "distance_m", 1);
  const at = lastWhere(distances, (row) => row.here);
  if (at < 0) return { seen_m: way.seen_m, unseen_m: way.unseen_m };
  const { seen_m = 0, unseen_m = 0 } = readings[at];
  return { seen_m: distances[at].total + way.seen_m - seen_m, unseen_m: way.unseen_m - unseen_m };
}

// The distance ridden since the reading at `from` (−1: the start). A trip counter read then and later gives it. If it
// was not read then, both counter and way are upper limits, and the lower one is used.
function since(from, { readings, way }, distances) {
  const { seen_m = 0, unseen_m = 0 } = readings[from] ?? {};
  const by_way = { seen_m: way.seen_m - seen_m, unseen_m: way.unseen_m - unseen_m };
  if (lastWhere(distances, (row, index) => row.here && index > from) < 0) return by_way;
  const by_counter = riddenInAll(readings, way);
  by_counter.seen_m -= distances[from]?.total ?? 0;
  if (from < 0 || distances[from].here) return by_counter;
  return by_counter.seen_m + by_counter.unseen_m < by_way.seen_m + by_way.unseen_m ? by_counter : by_way;
}

// The way home: along the own track at the estimated energy per km, or the whole distance ridden at the upper limit.
// Either suffices to come home, so the one that takes less energy is used.
function wayHome(facts, per_km) {
  const { readings, way } = facts;
  const upper = per_km.value + UPPER * spread(per_km.budget);
  const all = riddenInAll(readings, way);
  const ridden = { by: "ridden", distance_m: all.seen_m + all.unseen_m, u_m: u_of(all.seen_m, all.unseen_m, facts), wh_per_km: upper };
  if (way.home_m === null) return ridden;
  const u_m = u_of(way.home_m - way.open_m, way.open_m, facts);
  const track = { by: "track", distance_m: way.home_m, u_m, wh_per_km: per_km.value };
  return track.distance_m * track.wh_per_km <= ridden.distance_m * ridden.wh_per_km ? track : ridden;
}

function turnBack(above_reserve, left_wh, per_km, home, { pack, assumptions }) {
  const energy = plus(above_reserve, { way: (-home.wh_per_km * home.u_m) / 1000 });
  const shares = {};
  let value = 0;
  for (const source of Object.keys({ ...energy, ...per_km.budget })) {
    const [of_energy, of_per_km] = [energy[source] ?? 0, per_km.budget[source] ?? 0];
    const alone = turnBackDistance({
      energy_left_wh: left_wh, usable_energy_wh: pack.energy_wh, reserve_fraction: assumptions.reserve_fraction,
      consumption_out_wh_per_km: per_km.value, consumption_home_wh_per_km: home.wh_per_km,
      u_energy_left_wh: Math.abs(of_energy), u_consumption_out_wh_per_km: Math.abs(of_per_km),
      u_consumption_home_wh_per_km: Math.abs(of_per_km), distance_from_home_m: home.distance_m,
      // The same energy per km both ways, and its correlation with the energy left.
      consumption_correlation: 1, energy_consumption_correlation: Math.sign(of_energy * of_per_km),
    });
    value = alone.value;
    shares[source] = alone.u;
  }
  return { value, u: spread(shares) };
}

// Without the values that are in doubt: {record: [names]}, "session" for those of the session itself.
function beyondDoubt({ doubted, readings, ...facts }) {
  const without = (record, names = []) => Object.fromEntries(Object.entries(record).filter(([name]) => !names.includes(name)));
  const session = doubted.session ?? [];
  const kept = readings.map((reading) => without(reading, doubted[reading.id]));
  const battery = facts.battery_temperatures?.filter(([id]) => !doubted[id]?.includes("battery_temperature_c"));
  return { ...without(facts, session), battery_temperatures: battery, readings: kept };
}

const lower = (whole, beyond) => (whole && beyond ? (beyond.value < whole.value ? beyond : whole) : null);

// What is left, and when to turn back. A doubt makes neither less careful: each is the lower of with and without the
// values in doubt, or none where one of them has none.
//
// Facts: {pack, assumptions, earlier, rest_voltage_start_v, air_temperature_c, battery_temperatures, readings, way,
// lowest, doubted}. Readings are in the order of taps, each with the distances at that time (seen_m, unseen_m, whole);
// `battery_temperatures` are [reading, °C]; `way` comes from wayNow in way.js. `lowest` is the lowest turn-back
// distance shown since the readings that `since` names: it may grow only with a new reading.
export function assemble(facts) {
  const whole = assembleOnce(facts);
  const names = Object.values(facts.doubted ?? {}).flat();
  if (!names.length || !facts.pack) return whole;
  const beyond = assembleOnce(beyondDoubt(facts));
  const careful = { ...whole, left: lower(whole.left, beyond.left), turn: lower(whole.turn, beyond.turn), doubtful: true };
  if (careful.turn || !whole.turn) return careful;
  return { ...careful, needs: ["an answer to what is in doubt"] };
}

function assembleOnce(given) {
  const read_c = (given.battery_temperatures ?? []).map(([, temperature_c]) => temperature_c);
  const facts = { ...given, battery_temperature_c: read_c.length ? Math.min(...read_c) : null };
  const { pack, readings, lowest } = facts;
  const state = { read: null, needs: [], left: null, turn: null, from_full: true, at_most: false };
  if (!pack) return { ...state, needs: ["a battery pack on the revision"] };
  const charges = counted(readings, "charge_used_ah", CHARGE_RESET);
  const distances = counted(readings, "distance_m", 1);
  const from = lastWhere(charges, (row) => row.here);
  const voltage = meanVoltage(facts);
  const began = atStart(facts);
  const used = usedAt(Math.max(0, charges[from]?.total ?? 0), voltage, facts);
  const per_km = perKm(facts, charges, distances, voltage);
  const ridden = since(from, facts, distances);
  const ridden_km = (ridden.seen_m + ridden.unseen_m) / 1000;
  const taken = per_km ? per_km.value * ridden_km : 0;
  let budget = plus(began.budget, times(used.budget, -1));
  if (per_km) budget = plus(plus(budget, times(per_km.budget, -ridden_km)), { way: (-per_km.value * u_of(ridden.seen_m, ridden.unseen_m, facts)) / 1000 });
  const left = { value: energyLeft({ usable_energy_wh: began.value, used_energy_wh: used.value + taken }), u: spread(budget) };
  const sources = [from, lastWhere(distances, (row) => row.here)].map((at) => readings[at]?.id ?? "");
  Object.assign(state, {
    read: readings[from] ?? null, from_full: began.from_full, cold: began.cold, left, ridden, since: [...sources, voltage.count].join("/"),
    at_most: !per_km && ridden_km > 0, counter_went_back: distances.some((row) => row.resets),
  });
  if (!per_km) return { ...state, needs: ["a reading of charge and distance, or an earlier session's energy per km"] };
  const home = wayHome(facts, per_km);
  const above_reserve = plus(budget, { pack: -facts.assumptions.reserve_fraction * pack.u_energy_wh });
  const turn = turnBack(above_reserve, left.value, per_km, home, facts);
  const limited = lowest?.since === state.since && lowest.turn_m < turn.value;
  return {
    ...state, home, consumption: { value: per_km.value, u: spread(per_km.budget), from: per_km.from },
    turn: limited ? { ...turn, value: lowest.turn_m } : turn,
  };
}

// So long before the turning point it is near, and never nearer than so far.
const NEAR_S = 120;
const NEAR_M = 500;

// The careful side of each figure, for a rider's glance: twice the uncertainty is taken off, the reserve is kept, and
// the time left is reckoned at the highest recent speed. `level` is "", "near", "now", or "unknown".
export function careful(state, { speed_mps, pack, assumptions }) {
  const unknown = { turn_m: null, left_wh: null, runtime_s: null, level: "unknown" };
  if (!pack || !state.left) return unknown;
  const low_wh = Math.max(0, state.left.value - UPPER * state.left.u);
  const reserve = { usable_energy_wh: pack.energy_wh, reserve_fraction: assumptions.reserve_fraction };
  const left_wh = state.at_most ? null : Math.max(0, low_wh - reserve.reserve_fraction * pack.energy_wh);
  if (!state.turn) return { ...unknown, left_wh };
  const most_wh_per_km = state.consumption.value + UPPER * state.consumption.u;
  const turn_m = Math.max(0, state.turn.value - UPPER * state.turn.u);
  return {
    turn_m, left_wh,
    runtime_s: runtimeLeft({ ...reserve, energy_left_wh: low_wh, mean_power_w: 3.6 * most_wh_per_km * speed_mps }),
    level: turn_m <= 0 ? "now" : turn_m <= Math.max(NEAR_M, NEAR_S * speed_mps) ? "near" : "",
  };
}

// A duration without seconds from one minute on.
function roundedTime(time_s) {
  return time_s < 60 ? lengthOfTime(time_s) : lengthOfTime(60 * Math.floor(time_s / 60));
}

const SPEEDS = {
  track: "the highest speed lately", passes: "the fastest pass", earlier: "the mean of an earlier ride",
  nothing: "because no speed is known yet",
};

// Sentences on how each figure is known. `since_s` is the age of the last reading of charge, or of the session; `speed`
// is the assumed speed while there is no position (way.js).
export function inWords(state, { way, since_s, speed, track_on, ended, earlier_sessions, reserve_fraction }, units) {
  const needs = `needs ${state.needs[0]}`;
  const began = state.from_full ? "assumed full at the start" : "from the rest voltage before";
  const cold = state.cold ? `, less ${Math.round(100 * state.cold)} % for the cold` : "";
  const doubt = state.doubtful ? "the lower of with and without what is in doubt; " : "";
  const since = `estimated since, ${roundedTime(since_s)}`;
  const left = !state.left ? needs
    : state.at_most ? `${doubt}at most: ${began}${cold}; what was ridden since, ${roundedTime(since_s)}, is not subtracted`
      : `${doubt}${began}${cold}; ${ended ? "as the session ended" : since}`;
  if (ended || !state.turn) return { left, turn: ended ? "the session has ended" : needs, way: "" };
  const per_km = {
    session: "at this session's energy per km",
    earlier: `at that of ${earlier_sessions} earlier session${earlier_sessions === 1 ? "" : "s"}`,
    highest: "at the highest energy per km it can be, because a counter went back",
  }[state.consumption.from];
  const { home, ridden } = state;
  const far = written(home.distance_m, "trip", units, 0, 2);
  const lines = [];
  if (home.by === "track") {
    const straight = !way.silent_s && way.straight_m < 0.9 * home.distance_m ? ` (${written(way.straight_m, "trip", units, 0, 2)} straight)` : "";
    lines.push(`Way home ${far} by your own track${straight}.`);
  } else lines.push(`${way.home_m === null ? "No track: way" : "Way"} home assumed to be all that was ridden, ${far}, at ${written(home.wh_per_km, "consumption", units, 0, 2)} at most.`);
  if (way.silent_s) {
    lines.push(`No ${track_on ? "position" : "track"} for ${roundedTime(way.silent_s)}: counted down at ${written(speed.mps, "speed", units, 0, 2)}, ${SPEEDS[speed.from]}.`);
  }
  if (ridden.unseen_m > 0) lines.push(`${written(ridden.unseen_m, "trip", units, 0, 2)} not seen; a reading of charge and distance settles it.`);
  if (state.counter_went_back) lines.push("The trip counter went back; it is assumed reset to zero.");
  const turn = `${doubt}${per_km}, ${Math.round(100 * reserve_fraction)} % of the pack in reserve`;
  return { left, turn: state.turn.value > 0 ? turn : `turn back now; ${turn}`, way: lines.join(" ") };
}
