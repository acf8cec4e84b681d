// The calculations the phone does itself. Each matches the kernel of the same name in calc/;
// tests/browser/vectors.json holds the expected values of both.

import { inChosenSign } from "./decimal_sign.js";

export function frameClock({ whole_s, frames, frames_per_s }) {
  return whole_s + frames / frames_per_s;
}

export function frameDurationU({ frames_per_s }) {
  return 1 / (frames_per_s * Math.sqrt(6));
}

export function stopwatchDuration({ start_s, stop_s, u_press_s }) {
  return { value: stop_s - start_s, u: Math.SQRT2 * u_press_s };
}

export function gateSpeed({ distance_m, duration_s, u_distance_m = 0, u_duration_s = 0 }) {
  const value = distance_m / duration_s;
  return { value, u: value * Math.hypot(u_distance_m / distance_m, u_duration_s / duration_s) };
}

// Of the way between two fixes of which nothing more is known (sessions/evidence/timing.py).
const U_BETWEEN_FIXES_M = (Math.SQRT2 * 5) / 1.515;

// A pass's speed as the session's page on the server works it out (sessions/evidence/timing.py, calc/speed.py).
export function passSpeed({ positions_m, u_distance_m, method, duration_s, frames_per_s, u_press_s, u_duration_s: stated_u_s = null }) {
  const distance_m = positions_m[positions_m.length - 1] - positions_m[0];
  const usual_u_s = () => {
    if (method === "satellite") return (U_BETWEEN_FIXES_M * duration_s) / distance_m;
    if (method === "video" && frames_per_s) return frameDurationU({ frames_per_s });
    return stopwatchDuration({ start_s: 0, stop_s: duration_s, u_press_s }).u;
  };
  const u_duration_s = stated_u_s ?? usual_u_s();
  return { ...gateSpeed({ distance_m, duration_s, u_distance_m, u_duration_s }), distance_m, u_duration_s };
}

// The mean of a pass each way. The tape's error is in both, those of the times are not.
export function twoWayMean({ out_mps, back_mps, u_out_mps = 0, u_back_mps = 0 }) {
  return { value: (out_mps + back_mps) / 2, u: Math.hypot(u_out_mps, u_back_mps) / 2 };
}

export function energyFromCharge({ charge_ah, mean_voltage_v, u_charge_ah = 0, u_mean_voltage_v = 0 }) {
  return {
    value: charge_ah * mean_voltage_v,
    u: Math.hypot(mean_voltage_v * u_charge_ah, charge_ah * u_mean_voltage_v),
  };
}

export function energyLeft({ usable_energy_wh, used_energy_wh }) {
  return Math.max(0, usable_energy_wh - used_energy_wh);
}

export function runtimeLeft({ energy_left_wh, usable_energy_wh, reserve_fraction, mean_power_w }) {
  return (3600 * Math.max(0, energy_left_wh - reserve_fraction * usable_energy_wh)) / mean_power_w;
}

// The reserve is a share of the full pack, however little is left.
export function turnBackDistance({
  energy_left_wh, usable_energy_wh, reserve_fraction, consumption_out_wh_per_km, consumption_home_wh_per_km,
  u_energy_left_wh = 0, u_consumption_out_wh_per_km = 0, u_consumption_home_wh_per_km = 0,
  distance_from_home_m = 0, consumption_correlation = 0, energy_consumption_correlation = 0,
}) {
  const both = consumption_out_wh_per_km + consumption_home_wh_per_km;
  const above_reserve = energy_left_wh - reserve_fraction * usable_energy_wh;
  const spare = above_reserve - (consumption_home_wh_per_km * distance_from_home_m) / 1000;
  const value = Math.max(0, (1000 * spare) / both);
  const energy = 1000 * u_energy_left_wh;
  const out = value * u_consumption_out_wh_per_km;
  const home = (value + distance_from_home_m) * u_consumption_home_wh_per_km;
  const shared = consumption_correlation * out * home - energy_consumption_correlation * energy * (out + home);
  return { value, u: Math.sqrt(Math.max(0, energy ** 2 + out ** 2 + home ** 2 + 2 * shared)) / both };
}

// Student's t for 95 % at a whole number of degrees of freedom, by bisection on the closed form of the distribution
// (Abramowitz and Stegun, 1964, 26.7.3 and 26.7.4).
function studentT(dof) {
  const covered = (angle) => {
    const odd = dof % 2 === 1;
    let term = odd ? Math.cos(angle) : 1;
    let sum = dof === 1 ? 0 : term;
    for (let factor = odd ? 3 : 2; factor < dof; factor += 2) {
      term *= (Math.cos(angle) ** 2 * (factor - 1)) / factor;
      sum += term;
    }
    return odd ? (2 / Math.PI) * (angle + Math.sin(angle) * sum) : Math.sin(angle) * sum;
  };
  let [low, high] = [0, Math.PI / 2];
  for (let step = 0; step < 60; step += 1) {
    const middle = (low + high) / 2;
    if (covered(middle) < 0.95) low = middle;
    else high = middle;
  }
  return Math.sqrt(dof) * Math.tan(low);
}

const NORMAL_95 = 1.959963984540054;

// The standard uncertainty of the mean of few readings, widened so that twice it covers 95 %.
export function widenedU({ u, dof }) {
  return (u * studentT(dof)) / NORMAL_95;
}

function along(volts, { voltage_v, state_of_charge }) {
  const last = voltage_v.length - 1;
  if (volts <= voltage_v[0]) return state_of_charge[0];
  if (volts >= voltage_v[last]) return state_of_charge[last];
  const above = voltage_v.findIndex((point_v) => point_v >= volts);
  const part = (volts - voltage_v[above - 1]) / (voltage_v[above] - voltage_v[above - 1]);
  return state_of_charge[above - 1] + part * (state_of_charge[above] - state_of_charge[above - 1]);
}

// The share of a full pack, or null where the voltage lies outside the curve: then it was not at rest.
export function stateOfCharge({ rest_voltage_v, curve }) {
  const { voltage_v } = curve;
  if (rest_voltage_v < voltage_v[0] * 0.99 || rest_voltage_v > voltage_v[voltage_v.length - 1] * 1.01) return null;
  return along(rest_voltage_v, curve);
}

// The uncertainty of the state of charge due to the voltmeter.
export function chargeMovedBy({ rest_voltage_v, u_voltage_v, curve }) {
  return (along(rest_voltage_v + u_voltage_v, curve) - along(rest_voltage_v - u_voltage_v, curve)) / 2;
}

// Usable capacity at a low temperature, under the stated assumption; above the reference nothing is gained.
export function coldCapacity({ capacity_ah, temperature_c, fraction_per_c, reference_c = 25 }) {
  return capacity_ah * Math.max(0, 1 - fraction_per_c * Math.max(0, reference_c - temperature_c));
}

// Distance of two places a few kilometres apart, on the WGS84 ellipsoid's plane at their middle.
export function legLength(lat1, lon1, lat2, lon2) {
  const squared = (2 - 1 / 298.257223563) / 298.257223563;
  const middle = ((lat1 + lat2) / 2) * (Math.PI / 180);
  const bulge = 1 - squared * Math.sin(middle) ** 2;
  const meridian = (6378137 * (1 - squared)) / bulge ** 1.5;
  const vertical = 6378137 / Math.sqrt(bulge);
  const turn = ((((lon2 - lon1 + 180) % 360) + 360) % 360) - 180;
  const radian = Math.PI / 180;
  return Math.hypot(meridian * (lat2 - lat1) * radian, vertical * Math.cos(middle) * turn * radian);
}

// Parses a typed number: point or comma as decimal mark, any minus sign.
export function readNumber(text, unit = "") {
  let cleaned = text.replace(/[\u00a0\u202f\u2009\t]/g, " ").replace(/[\u2212\u2013\u2012]/g, "-").trim();
  if (unit && cleaned.toLowerCase().endsWith(unit.toLowerCase())) cleaned = cleaned.slice(0, -unit.length).trim();
  if (/\d[.,]\d+[.,]\d/.test(cleaned)) {
    throw new RangeError(`“${text.trim()}” can be read in two ways; write one decimal mark and none for thousands`);
  }
  if (!/^[+-]?(\d{1,3}( \d{3})+|\d+)?([.,]\d+|[.,](?!\d))?$/.test(cleaned) || !/\d/.test(cleaned)) {
    throw new RangeError(`“${text.trim()}” is not a number${unit ? ` in ${unit}` : ""}`);
  }
  return Number(cleaned.replace(/ /g, "").replace(",", "."));
}

const CLOCK = /^(?:(\d+):)?(\d{1,3}):(\d{1,2}(?:[.,]\d+)?)$/;

// A length of time typed as a clock, in seconds, or null: "0:35" is h:mm in a field of minutes, and m:ss in one of
// seconds, as in calc/quantities.py.
export function readClock(text, kind) {
  const clock = ["runtime", "duration"].includes(kind) && CLOCK.exec(text.trim());
  if (!clock) return null;
  const parts = clock.slice(1).map((part) => (part === undefined ? null : Number(part.replace(",", "."))));
  const [hours, minutes, seconds] = parts[0] === null && kind === "runtime" && /^\d+$/.test(clock[3]) ? [parts[1], parts[2], 0] : parts;
  if (seconds >= 60 || (hours !== null && minutes >= 60)) {
    throw new RangeError(`“${text.trim()}” is no time: minutes and seconds end at 59`);
  }
  return 3600 * (hours ?? 0) + 60 * minutes + seconds;
}

// A typed quantity in its stored unit, or null for an empty field. Throws a sentence naming the field.
export function readQuantity(text, field, units) {
  if (!text.trim()) return null;
  const unit = units[field.kind];
  let stored;
  try {
    stored = readClock(text, field.kind) ?? (readNumber(text, unit.label) - unit.offset) / unit.factor;
  } catch (error) {
    throw new RangeError(`${capital(field.label)}: ${error.message}. Write for example ${inChosenSign(sample(field, units))}.`);
  }
  const tooLow = field.low !== null && (field.includes_low ? stored < field.low : stored <= field.low);
  if (tooLow || (field.high !== null && stored > field.high)) {
    const least = field.low === null ? "" : `${field.includes_low ? "at least" : "more than"} ${written(field.low, field.kind, units)}`;
    const most = field.high === null ? "" : `at most ${written(field.high, field.kind, units)}`;
    throw new RangeError(inChosenSign(
      `${capital(field.label)} must be ${[least, most].filter(Boolean).join(" and ")}; ` +
      `${written(stored, field.kind, units)} was written.`,
    ));
  }
  return stored;
}

// As in calc/quantities.py, in the unit that is shown.
const SAMPLES = {
  voltage: "50.4", current: "120", charge: "38", temperature: "-12", trip: "10.8", runtime: "15", duration: "7,33",
};

export function sample(field, units) {
  return `${SAMPLES[field.kind] ?? 12} ${units[field.kind].label}`.trim();
}

export function capital(text) {
  return text.charAt(0).toUpperCase() + text.slice(1);
}

// Decimals that show a spread with two significant digits; below zero they are tens, hundreds, …
export function decimalsFor(spread) {
  if (!Number.isFinite(spread) || spread <= 0) return 0;
  return 1 - Number(spread.toExponential(1).split("e")[1]);
}

// A number to so many decimals; without any, to whole ones, tens, hundreds, …
function toPlace(value, decimals) {
  if (decimals >= 0) return value.toFixed(decimals);
  return (Math.round(value * 10 ** decimals) * 10 ** -decimals).toFixed(0);
}

function minus(value, decimals) {
  const text = toPlace(value, decimals);
  return Number(text) ? text.replace("-", "−") : text.replace("-", "");
}

function significant(value, digits) {
  if (value === 0) return "0";
  const decimals = Math.max(0, digits - 1 - Math.floor(Math.log10(Math.abs(value))));
  const text = value.toFixed(Math.min(decimals, 8));
  return (text.includes(".") ? text.replace(/0+$/, "").replace(/\.$/, "") : text).replace("-", "−");
}

// A stored value with its unit, followed by ± twice the standard uncertainty if given. `least_decimals` shows more
// decimals than the uncertainty alone would, for a figure that changes while it is watched.
export function written(value, kind, units, u = 0, digits = 4, least_decimals = -9) {
  const unit = units[kind];
  if (kind === "runtime" && !u) return lengthOfTime(value);
  const shown = value * unit.factor + unit.offset;
  const spread = Math.abs(2 * u * unit.factor);
  let number;
  if (spread > 0) {
    const decimals = Math.max(decimalsFor(spread), least_decimals);
    number = `${minus(shown, decimals)} ± ${toPlace(spread, decimals)}`;
  } else number = significant(shown, digits);
  return `${number}${unit.label && unit.label !== "°" ? " " : ""}${unit.label}`;
}

export function lengthOfTime(value_s) {
  const whole = Math.round(Math.abs(value_s));
  const sign = value_s < 0 ? "−" : "";
  if (whole >= 3600) {
    const minutes = Math.round(whole / 60);
    return `${sign}${Math.floor(minutes / 60)} h ${minutes % 60} min`;
  }
  const minutes = Math.floor(whole / 60);
  const seconds = whole % 60;
  if (!minutes) return `${sign}${seconds} s`;
  return `${sign}${minutes} min${seconds ? ` ${seconds} s` : ""}`;
}

// A stored value for an entry field: the number alone, in the shown unit, as somebody typed it. The seventh digit and
// what follows come from changing units.
export function bare(value, kind, units) {
  if (value === null || value === undefined) return "";
  const shown = value * units[kind].factor + units[kind].offset;
  const short = Number(shown.toPrecision(7));
  return inChosenSign(Math.abs(short - shown) <= 1e-9 * Math.abs(shown) ? String(short) : significant(shown, 5).replace("−", "-"));
}
