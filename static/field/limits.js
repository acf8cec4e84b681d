// What controller, motor and battery stand, held against a value the moment it is typed. The rules and
// the words are those of calc/voltage_limits.py and calc/alarms.py; vectors.json holds both to them.

import { el } from "./elements.js";
import { capital, written } from "./numbers.js";

const SAME = 1e-9;
const NEAR_FRACTION = 0.02;
const AFTER_TYPING_MS = 700;
const AFTER_PRESS_MS = 400;

export function voltageState({ limit_v, voltage_v }) {
  const share = voltage_v / limit_v;
  if (share >= 1 - SAME) return 2;
  return share >= 1 - NEAR_FRACTION - SAME ? 1 : 0;
}

export function isCutOff({ cut_off_v, voltage_v }) {
  return voltage_v <= cut_off_v * (1 + SAME) ? 1 : 0;
}

// Of a measured voltage; `subject` is what had it, such as "the pack at rest before the ride".
export function voltageAlarms(limits, voltage_v, subject, units) {
  const reached = written(voltage_v, "voltage", units);
  const measured = `${capital(subject)} had ${reached}`;
  const alarms = [];
  for (const [whose, limit_v] of limits.highest_voltage_v) {
    const state = voltageState({ limit_v, voltage_v });
    const limit = written(limit_v, "voltage", units);
    const exactly = reached === limit;
    if (state === 2) {
      alarms.push([`${exactly ? "At" : "Above"} the voltage limit of the ${whose}.`,
        `${measured}; the ${whose} stands at most ${limit}. Too much voltage can destroy the electronics and start a fire: do not connect the pack before both are checked.`]);
    } else if (state === 1) {
      alarms.push([`${exactly ? "At" : "Near"} the voltage limit of the ${whose}.`,
        `${measured}, ${exactly ? "exactly" : "within 2 % of"} the ${limit} that the ${whose} stands at most. A meter that reads low, a charger set high or braking into a full pack can pass it.`]);
    }
  }
  const { cut_off_v } = limits;
  if (cut_off_v && isCutOff({ cut_off_v, voltage_v })) {
    alarms.push(["Below the controller's cut-off.", `${measured}; the controller stops at ${written(cut_off_v, "voltage", units)} and below.`]);
  }
  return alarms;
}

export function temperatureAlarms(limits, whose, reached_c, units) {
  const alarms = [];
  const reached = written(reached_c, "temperature", units);
  for (const [owner, limit_c] of limits.highest_temperature_c) {
    if (owner === whose && reached_c > limit_c) {
      alarms.push([`Hotter than the ${whose} may be.`, `The hottest: ${reached}. Its limit: ${written(limit_c, "temperature", units)}.`]);
    }
  }
  const lowest_c = limits.lowest_battery_temperature_c;
  if (whose === "battery" && lowest_c !== null && reached_c < lowest_c) {
    alarms.push(["Colder than the battery may be.", `The coldest: ${reached}. Its limit: ${written(lowest_c, "temperature", units)}.`]);
  }
  return alarms;
}

const SUBJECTS = {
  rest_voltage_start_v: "the pack at rest before the ride",
  rest_voltage_end_v: "the pack at rest after the ride",
  voltage_v: "the pack in a reading",
};

// What to say of one typed or stored quantity of a session or reading.
export function alarmsOf(limits, name, value, units) {
  if (!limits || typeof value !== "number") return [];
  if (SUBJECTS[name]) return voltageAlarms(limits, value, SUBJECTS[name], units);
  const [, whose] = /^(battery|motor|controller)_temperature_c$/.exec(name) ?? [];
  return whose ? temperatureAlarms(limits, whose, value, units) : [];
}

// Everything measured in this session that passed a limit or nearly did: the highest voltage and each
// hottest part count for good, a voltage that was too low only while it is the last one.
export function alarmsOfOuting(limits, outing, units) {
  if (!limits) return [];
  const { rest_voltage_start_v, rest_voltage_end_v } = outing.session;
  const fields = [{ rest_voltage_start_v }, ...outing.readings, { rest_voltage_end_v }].flatMap(Object.entries);
  const measured = fields.filter(([, value]) => typeof value === "number");
  const volts = measured.filter(([name]) => SUBJECTS[name]);
  const highest = volts.reduce((most, voltage) => (most && most[1] >= voltage[1] ? most : voltage), null);
  const last = volts[volts.length - 1];
  const alarms = [];
  if (highest) alarms.push(...alarmsOf({ ...limits, cut_off_v: null }, ...highest, units));
  if (last) alarms.push(...alarmsOf({ ...limits, highest_voltage_v: [] }, ...last, units));
  for (const whose of ["battery", "motor", "controller"]) {
    const degrees = measured.filter(([name]) => name === `${whose}_temperature_c`).map(([, value]) => value);
    if (degrees.length) {
      alarms.push(...[...new Set([Math.max(...degrees), Math.min(...degrees)])].flatMap((value) => temperatureAlarms(limits, whose, value, units)));
    }
  }
  return alarms;
}

// `brief` leaves only what was measured and its limit, where large buttons must stay in reach.
export function shown(alarms, { brief = false } = {}) {
  const words = (sentence) => (brief ? sentence.replace(/\. .*$/, ".") : sentence);
  return alarms.map(([title, sentence]) => el("p", { class: "caution alarm" }, el("strong", {}, title), ` ${words(sentence)}`));
}

// A finger that is on its way down must find the button where it saw it: nothing moves while one is on
// the screen, and for a moment after.
let pressed = false;
let lifted_ms = 0;
for (const [kind, down] of [["pointerdown", true], ["pointerup", false], ["pointercancel", false]]) {
  globalThis.addEventListener?.(kind, () => { pressed = down; lifted_ms = performance.now(); }, true);
}

function onceStill(act) {
  const wait_ms = pressed ? AFTER_PRESS_MS : Math.max(0, lifted_ms + AFTER_PRESS_MS - performance.now());
  if (lifted_ms === 0 || wait_ms === 0) act();
  else setTimeout(() => onceStill(act), wait_ms);
}

// Says it under the fields of a form while they are filled in: as soon as a field is left, and a moment
// after the last key. `read` gives the stored value of a field's text, or throws.
export function warnIn(entryForm, names, limitsNow, read, units) {
  const update = () => {
    for (const name of names) {
      const input = entryForm.elements[name];
      if (!input) continue;
      let box = entryForm.querySelector(`#in-${name}-alarm`);
      if (!box) {
        box = el("div", { id: `in-${name}-alarm`, role: "alert" });
        input.closest(".field").append(box);
      }
      let value = null;
      try {
        value = read(name, input.value);
      } catch {
        // What cannot be read is said when it is saved.
      }
      const alarms = alarmsOf(limitsNow(), name, value, units);
      const words = alarms.flat().join(" ");
      if ((box.dataset.words ?? "") === words) continue;
      box.dataset.words = words;
      box.replaceChildren(...shown(alarms));
      const folded = box.closest("details");
      if (folded && alarms.length) folded.open = true;
    }
  };
  let waiting = 0;
  entryForm.addEventListener("input", () => {
    clearTimeout(waiting);
    waiting = setTimeout(() => onceStill(update), AFTER_TYPING_MS);
  });
  entryForm.addEventListener("change", () => onceStill(update));
  // A screen that is drawn again gets what was typed back only once it is in its place.
  const placed = new MutationObserver(() => {
    if (!entryForm.isConnected) return;
    placed.disconnect();
    update();
  });
  placed.observe(document.body, { childList: true, subtree: true });
}
