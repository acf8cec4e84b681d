// The riding screen: turn-back, energy and time left in figures to be read at a glance, and the mark button. It is
// loud where the turning point is near or reached.

import { keepAwake, letSleep } from "./awake.js";
import { button, el, link } from "./elements.js";
import { doubtfulPasses, handsFreeWords } from "./hands_free.js";
import { marking } from "./marking.js";
import { decimalsFor, lengthOfTime, written } from "./numbers.js";
import { energyState, gatesOf, isStandingStart, passSpeed, reference, setWay } from "./outing.js";
import { speak, tone } from "./sound.js";
import { isRunning, speedNow_mps, startTrack } from "./track.js";

const REPEATED_MS = { near: 120_000, now: 30_000 };
const SPOKEN = { near: "Turn back soon", now: "Turn back now" };
const SIGNS = { near: ["!", "Turn back soon: within"], now: ["!", "Turn back now"], unknown: ["?", "Turning point not known"] };

let asleep = "";
// The track is started once each time the screen is entered: a phone that refuses is not asked over and over.
let entered = false;
let called = { level: "", at_ms: -Infinity };

export async function ridingScreen(app, outing) {
  const enters = !entered;
  entered = true;
  if (enters && !isRunning() && outing.ended_ms === null) await startIfAllowed(app, outing);
  asleep = await keepAwake("ride");
  const marks = gatesOf(outing).length ? await marking(app, outing) : null;
  return [
    el("h1", { class: "unseen" }, "Riding"),
    figures(outing),
    el("div", { class: "bottom" },
      marks?.missed,
      doubtfulPasses(app, outing),
      el("div", { class: "row" }, marks?.over, link("Board", "board"), link("Reading", "reading"), marks ? null : link("New gate", "gate"))),
    marks?.dock,
  ];
}

export async function leaveRiding() {
  entered = false;
  await letSleep("ride");
}

// The track tells how far it was ridden. A phone that was told no is not asked again here.
async function startIfAllowed(app, outing) {
  if (!navigator.geolocation || !globalThis.isSecureContext) return;
  const allowed = await navigator.permissions?.query({ name: "geolocation" }).catch(() => null);
  if (allowed?.state !== "denied") await startTrack(app, outing);
}

// A figure on the careful side: cut, not rounded, to so many digits that it moves as it is ridden.
function cut(value, decimals) {
  const step = 10 ** decimals;
  return (Math.floor(value * step + 1e-9) / step).toFixed(decimals);
}

function shownIn(value, kind) {
  const unit = reference.data.units[kind];
  return [value * unit.factor + unit.offset, unit.label];
}

function big(label, value, unit, how) {
  return el("dl", { class: "big" }, el("dt", {}, unit ? `${label}, ${unit}` : label), el("dd", { class: "digits" }, value), how && el("dd", { class: "how" }, how));
}

function turning(outing, state) {
  const { careful, turn, read, since_s, ridden, words, way } = state;
  const { units } = reference.data;
  const [sign, title] = SIGNS[careful.level] ?? ["", "Turn back within"];
  const [far, label] = careful.turn_m === null ? [null, ""] : shownIn(careful.turn_m, "trip");
  const figure = far === null ? "–" : cut(far, far < 100 ? 1 : 0);
  const from = read ? `from ${written(read.charge_used_ah, "charge", units)} read ${since_s < 60 ? "just now" : `${lengthOfTime(60 * Math.floor(since_s / 60))} ago`}` : "from a full pack or its rest voltage";
  const how = careful.turn_m === null ? words.turn
    : `careful side of ${written(turn.value, "trip", units, turn.u, 4, 1)} · ${from}, estimated since` +
      (ridden.seen_m + ridden.unseen_m > 0 ? `, less ${written(ridden.seen_m + ridden.unseen_m, "trip", units, 0, 2)} ridden` : "");
  const quiet = careful.level === "now" && outing.heard !== state.since
    ? button("Heard: we have turned back", async () => { await setWay(outing, { heard: state.since }); redrawRiding({ ...outing, heard: state.since }); }, { class: "act wide" })
    : null;
  return el("section", { class: `turn ${careful.level}`, "aria-label": "Turn back" },
    el("p", { class: "title" }, sign && el("span", { class: "sign", "aria-hidden": "true" }, sign), title),
    el("p", { class: "figure-line" }, el("span", { class: "digits", id: "turn-back" }, figure), el("span", { class: "of" }, label)),
    el("p", { class: "how" }, how),
    way.silent_s ? el("p", { class: "how" }, `No position for ${lengthOfTime(way.silent_s)}: counted down at the highest speed lately.`) : null,
    quiet);
}

function figures(outing) {
  const state = energyState(outing);
  const { careful, since_s, read } = state;
  const { units } = reference.data;
  const [left, energy_unit] = careful.left_wh === null ? [null, "Wh"] : careful.left_wh >= 1000 ? [careful.left_wh / 1000, "kWh"] : [careful.left_wh, "Wh"];
  const minutes = careful.runtime_s === null ? null : Math.floor(careful.runtime_s / 60);
  const mps = speedNow_mps();
  const [speed, speed_unit] = mps === null ? [null, units.speed.label] : shownIn(mps, "speed");
  const last = outing.passes[outing.passes.length - 1];
  const of_last = last && !last.timeless ? passSpeed(outing, last) : null;
  const [passed, pass_unit] = of_last ? shownIn(of_last.value, "speed") : [null, units.speed.label];
  const spread = of_last ? 2 * of_last.u * units.speed.factor : 0;
  return el("section", { class: "instrument", id: "instrument", "aria-label": "Riding" },
    turning(outing, state),
    el("div", { class: "pair" },
      big("Energy left", left === null ? "–" : cut(left, energy_unit === "kWh" ? 1 : 0), energy_unit, left === null ? state.words.left : "careful side, reserve kept"),
      big("Time left", minutes === null ? "–" : minutes > 999 ? ">999" : String(minutes), "min", minutes === null ? "needs energy per km" : `at ${written(state.speed.mps, "speed", units, 0, 2)}, the highest lately`)),
    el("div", { class: "pair lesser" },
      big("Speed", speed === null ? "–" : speed.toFixed(0), speed_unit, mps === null ? (isRunning() ? "none given" : "the track is off") : ""),
      big("Last reading, min ago", read ? sinceReading(since_s) : "–", "", read ? "" : "no charge read"),
      big(last ? `Pass ${outing.passes.length}, ${last.direction}` : "Last pass", passed === null ? "–" : passed.toFixed(Math.max(0, Math.min(2, decimalsFor(spread)))), pass_unit,
        of_last ? `± ${spread.toPrecision(2)}` : last?.timeless ? "not timed" : last && isStandingStart(last) ? "standing start" : "none yet")),
    handsFreeWords(outing, isRunning()) && el("p", { class: "quiet small", id: "hands-free" }, handsFreeWords(outing, isRunning())),
    asleep && el("p", { class: "caution small", id: "asleep" }, `${asleep} Locked, it gives no positions and no sound.`));
}

function sinceReading(since_s) {
  const minutes = Math.floor(since_s / 60);
  return minutes < 60 ? `${minutes}:${String(Math.floor(since_s % 60)).padStart(2, "0")}` : `${Math.floor(minutes / 60)} h ${minutes % 60}`;
}

// With each position and each second: new figures, and a call where the turning point is near or reached.
export function redrawRiding(outing) {
  const shown = document.getElementById("instrument");
  if (!shown) return;
  const next = figures(outing);
  if (next.textContent !== shown.textContent || next.querySelector(".turn").className !== shown.querySelector(".turn").className) {
    shown.replaceChildren(...next.childNodes);
  }
  call(outing);
}

function call(outing) {
  const { careful, since } = energyState(outing);
  const { level } = careful;
  const now_ms = performance.now();
  const worse = level === "now" && called.level !== "now";
  if (!REPEATED_MS[level] || outing.ended_ms !== null || (level === "now" && outing.heard === since)) {
    if (level !== "unknown") called = { level, at_ms: now_ms };
    return;
  }
  if (!worse && called.level === level && now_ms - called.at_ms < REPEATED_MS[level]) return;
  called = { level, at_ms: now_ms };
  tone(level === "near" ? "soon" : level);
  speak(SPOKEN[level]);
  navigator.vibrate?.(level === "now" ? [400, 150, 400, 150, 400] : [200, 100, 200]);
}
