// Compares a value with the limits of controller, motor and battery while it is typed. Rules and sentences
// are those of calc/voltage_limits.py and calc/alarms.py; vectors.json tests that they agree.

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

// The published ice guidelines, each with whether the thickness reaches it (calc/ice.py, guideline_rows).
export function guidelineRows({ thickness_cm, white_ice, guidelines }) {
  const factor = white_ice ? 2 : 1;
  return guidelines.map(({ use, thickness_cm: published_cm, source }) => (
    { use, thickness_cm: published_cm * factor, reached: thickness_cm >= published_cm * factor, source }));
}

export function isCutOff({ cut_off_v, voltage_v }) {
  return voltage_v <= cut_off_v * (1 + SAME) ? 1 : 0;
}

// Alarms of a measured voltage; `subject` names what was measured, such as "the pack at rest before the ride".
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
        `${measured}; the limit of the ${whose} is ${limit}. Too much voltage can destroy the electronics and start a fire: do not connect the pack before both are checked.`]);
    } else if (state === 1) {
      alarms.push([`${exactly ? "At" : "Near"} the voltage limit of the ${whose}.`,
        `${measured}, ${exactly ? "exactly" : "within 2 % of"} the limit of ${limit}. A meter that reads low, a charger set high or braking into a full pack can pass it.`]);
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

// Alarms of one quantity of a session or reading.
export function alarmsOf(limits, name, value, units) {
  if (!limits || typeof value !== "number") return [];
  if (SUBJECTS[name]) return voltageAlarms(limits, value, SUBJECTS[name], units);
  const [, whose] = /^(battery|motor|controller)_temperature_c$/.exec(name) ?? [];
  return whose ? temperatureAlarms(limits, whose, value, units) : [];
}

// Alarms of a whole session. The highest voltage and temperatures stay; a low voltage counts only while it is
// the last one measured.
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

// `brief` leaves out the advice, so that the large buttons stay in reach.
export function shown(alarms, { brief = false } = {}) {
  const words = (sentence) => (brief ? sentence.replace(/\. .*$/, ".") : sentence);
  return alarms.map(([title, sentence]) => el("p", { class: "caution alarm" }, el("strong", {}, title), ` ${words(sentence)}`));
}

// Nothing moves while a finger is on the screen and shortly after, so that the next tap hits the button
// it was aimed at.
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

// Shows alarms under the fields of a form: when a field is left, and shortly after the last key.
// `read` converts a field's text to its stored value, or throws.
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
        // The error is shown when the form is saved.
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
  // A redrawn screen gets its typed values back only after it is inserted.
  const placed = new MutationObserver(() => {
    if (!entryForm.isConnected) return;
    placed.disconnect();
    update();
  });
  placed.observe(document.body, { childList: true, subtree: true });
}
