// Setting a mark by standing at it: 30 s of positions, averaged, with the uncertainty that stays.

import { keepAwake, letSleep } from "./awake.js";
import { button, el, feel, link, say } from "./elements.js";
import { coordinatesOf } from "./hands_free.js";
import { legLength, written } from "./numbers.js";
import { gatesOf, placeMarks, reference } from "./outing.js";
import { tone } from "./sound.js";
import { keepMeta, meta } from "./store.js";

const STANDING_MS = 30_000;
const FEWEST_FIXES = 10;
const WORST_ACCURACY_M = 15;
// The radius that holds 68 % of the errors, in standard uncertainties of one axis (crossings.js).
const SHARE_WITHIN = 1.515;

// The mean place and its standard uncertainty. Errors of a receiver drift slowly, so 30 s of them do not average out:
// the stated accuracy stays, or the scatter where that is larger.
export function averaged(fixes) {
  const mean = (values) => values.reduce((sum, value) => sum + value, 0) / values.length;
  const place = { latitude_deg: mean(fixes.map((fix) => fix.latitude)), longitude_deg: mean(fixes.map((fix) => fix.longitude)) };
  const apart = fixes.map((fix) => legLength(place.latitude_deg, place.longitude_deg, fix.latitude, fix.longitude));
  const scatter_m = Math.sqrt(mean(apart.map((apart_m) => apart_m ** 2)) / 2);
  return { ...place, u_m: Math.max(mean(fixes.map((fix) => fix.accuracy)) / SHARE_WITHIN, scatter_m) };
}

let standing = null;

function stop() {
  if (standing) navigator.geolocation.clearWatch(standing.watch);
  standing = null;
  void letSleep("stand");
}

export async function standScreen(app, outing, id) {
  const gate = gatesOf(outing).find((candidate) => candidate.id === id) ?? gatesOf(outing)[0];
  if (!gate) return [el("h1", {}, "No gate yet"), el("div", { class: "bottom" }, link("New gate", "gate"))];
  const { units } = reference.data;
  const key = `standing/${gate.id}`;
  const set = (await meta(key)) ?? {};
  const length_m = gate.positions_m[gate.positions_m.length - 1] - gate.positions_m[0];
  const wrong = el("p", { class: "wrong", role: "alert" });
  const progress = el("p", { id: "standing", role: "status" });
  const buttons = [];
  const stand = (end) => {
    wrong.textContent = "";
    stop();
    void keepAwake("stand");
    const fixes = [];
    const began_ms = Date.now();
    for (const choice of buttons) choice.disabled = true;
    const done = async () => {
      stop();
      for (const choice of buttons) choice.disabled = false;
      if (fixes.length < FEWEST_FIXES) {
        wrong.textContent = `Only ${fixes.length} good positions came in ${STANDING_MS / 1000} s; the sky may be covered. Try again, phone held up.`;
        return;
      }
      await keepMeta(key, { ...set, [end]: averaged(fixes) });
      tone("pass");
      feel();
      await app.render();
    };
    const watch = navigator.geolocation.watchPosition(({ coords }) => {
      if (!standing || (coords.accuracy ?? Infinity) > WORST_ACCURACY_M) return;
      fixes.push({ latitude: coords.latitude, longitude: coords.longitude, accuracy: coords.accuracy });
      progress.textContent = `${fixes.length} positions, ${Math.max(0, Math.ceil((STANDING_MS - (Date.now() - began_ms)) / 1000))} s to go. Stand still.`;
      if (Date.now() - began_ms >= STANDING_MS) void done();
    }, (error) => { wrong.textContent = error.code === 1 ? "The phone does not allow this page to read its position." : "The phone finds no position just now."; },
    { enableHighAccuracy: true, maximumAge: 0 });
    standing = { watch };
    setTimeout(() => { if (standing?.watch === watch) void done(); }, STANDING_MS + 2000);
  };
  for (const [end, label] of [["first", "first mark"], ["last", "last mark"]]) {
    buttons.push(button(set[end] ? `Again: stand at the ${label}` : `Stand at the ${label}`, () => stand(end), { class: "act wide" }));
  }
  const save = async () => {
    try {
      await placeMarks(outing, gate, set.first, set.last);
      await keepMeta(`mark_u/${gate.id}`, Math.max(set.first.u_m, set.last.u_m));
      await keepMeta(key, null);
      feel();
      say("Marks saved on this phone. Passes are found by themselves while the track runs.");
      app.go("ride");
    } catch (error) {
      wrong.textContent = app.notSaved(error);
    }
  };
  const apart_m = set.first && set.last && legLength(set.first.latitude_deg, set.first.longitude_deg, set.last.latitude_deg, set.last.longitude_deg);
  const u_apart_m = apart_m && Math.hypot(set.first.u_m, set.last.u_m);
  const odd = apart_m && Math.abs(apart_m - length_m) > Math.max(4 * u_apart_m, 5);
  return [
    el("h1", {}, `Marks of ${gate.name}`),
    el("p", {}, coordinatesOf(gate) ? "Both ends have places already; they can be set anew." : "Stand at each end of the gate for 30 s, phone in the hand, and the phone finds passes by itself."),
    ["first", "last"].map((end) => set[end] && el("p", {}, `The ${end} mark: set, to ± ${(2 * set[end].u_m).toFixed(0)} m.`)),
    apart_m && el("p", { id: "apart" }, `They are ${written(apart_m, "distance", units, u_apart_m)} apart by satellite, ${written(length_m, "distance", units)} by tape. The tape counts.`),
    odd && el("p", { class: "caution", id: "odd" }, "That is too far from the tape to be right. Was it the right mark, and the right gate?"),
    ...buttons, progress, wrong,
    el("p", { class: "quiet small" }, "It works while this page is on screen. A locked phone gets no positions, and finds no passes."),
    el("div", { class: "bottom" }, link("Back", "pass"), apart_m ? button("Save both marks", () => void save(), { class: "act first" }) : null),
  ];
}

// Leaving the screen ends the standing.
export function leaveStanding() {
  if (standing) stop();
}
