// The mark button: one place on the screen, a ticking time, a tone and a vibration; a key of the phone or of a
// Bluetooth shutter counts as a tap. A pass is the taps at the marks of a gate.

import { keepAwake, letSleep } from "./awake.js";
import { inChosenSign } from "./decimal_sign.js";
import { button, el, feel, say } from "./elements.js";
import { lengthOfTime, written } from "./numbers.js";
import { bothWaysWords, gatesOf, passFromTaps, reference } from "./outing.js";
import { ageOf, bothClocks, isBounce, OLD_MARK_S } from "./session_clock.js";
import { tone } from "./sound.js";
import { change, read } from "./store.js";

// A late tap on the last mark must not start another pass.
const REST_MS = 1000;
const TICK_MS = 100;
// Volume keys and headsets where the browser passes them on; Bluetooth shutters send one of these.
const KEYS = new Set([
  "AudioVolumeUp", "AudioVolumeDown", "VolumeUp", "VolumeDown", "MediaPlayPause", "MediaTrackNext", "Camera", "Enter", " ",
]);
let rests_until_ms = 0;
// The taps of the running pass, for a redraw that comes before they are on disk.
let newest = null;
// The button on the screen, which keys press.
let shown = null;

// The mark button with all that belongs to it: {dock, over, missed, gate, direction, running}. `locked` are buttons
// that a running pass disables.
export async function marking(app, outing, { locked = [] } = {}) {
  const gates = gatesOf(outing);
  const key = `pass/${outing.id}`;
  const stored = await read("drafts", key);
  const draft = newest?.key === key ? newest : stored;
  let taps = (draft?.taps ?? []).filter((tapped) => tapped.page);
  // A second mark that waits for the answer whether the first is still valid.
  let waiting = draft?.asked ?? null;
  // A running pass keeps its gate and direction, whatever was chosen on other screens meanwhile.
  const begun = taps.length ? draft : outing;
  const gate = gates.find((candidate) => candidate.id === begun.gate) ?? gates[0];
  const { direction } = begun;
  const marks = gate.positions_m.length;
  const { units } = reference.data;

  const mark = el("button", { type: "button", class: "act first mark", id: "mark" });
  const question = el("div", { class: "question", id: "question", role: "alert", hidden: true });
  const wrong = el("p", { class: "wrong", role: "alert" });
  const over = button("Start over", () => anew([]));
  const missed = button("Missed a mark: the last tap was the end", () => save(taps, true), { class: "act wide" });
  const ticking = el("strong", {});
  const remember = () => {
    newest = { key, taps: [...taps], asked: waiting, gate: gate.id, direction, values: {} };
    return change(["drafts"], async ({ drafts }) => { drafts.put(newest); });
  };
  const place = (index) => {
    const positions = direction === "out" ? gate.positions_m : [...gate.positions_m].reverse();
    return Math.abs(positions[index] - positions[0]);
  };
  const elapsed = () => {
    const age_s = ageOf(taps[0], bothClocks());
    return age_s === null ? "running" : age_s < 600 ? inChosenSign(`${age_s.toFixed(1)} s`) : lengthOfTime(age_s);
  };
  let placed = false;
  let timer = 0;
  const tick = () => {
    clearTimeout(timer);
    placed ||= mark.isConnected;
    if ((placed && !mark.isConnected) || !taps.length) return;
    if (!waiting) ticking.textContent = elapsed();
    timer = setTimeout(tick, TICK_MS);
  };
  const show = () => {
    const running = taps.length > 0;
    const rests_ms = running ? 0 : rests_until_ms - performance.now();
    const first = direction === "out" ? "the first mark" : "the last mark, coming back";
    const title = `Mark ${taps.length + 1} of ${marks}`;
    if (waiting) mark.replaceChildren(el("strong", {}, "Answer above"), el("span", {}, "this tap is kept"));
    else if (rests_ms > 0) mark.replaceChildren(el("strong", {}, "Pass saved"), el("span", {}, "ready in a moment"));
    else if (running) mark.replaceChildren(ticking, el("span", {}, `${title}: running, tap at ${written(place(taps.length), "distance", units)}`));
    else mark.replaceChildren(el("strong", {}, title), el("span", {}, `going ${direction}: tap as it passes ${first}`));
    mark.disabled = waiting !== null || rests_ms > 0;
    if (rests_ms > 0) setTimeout(show, rests_ms);
    over.hidden = !running;
    missed.hidden = !(taps.length > 1 && taps.length < marks) || waiting !== null;
    for (const choice of locked) choice.disabled = running;
    question.hidden = waiting === null;
    if (waiting) question.replaceChildren(...oldMarkQuestion(taps[0], waiting, { use: () => answer(), anew: () => anew([waiting]) }));
    if (running) {
      void keepAwake("pass");
      tick();
    } else void letSleep("pass");
  };
  const anew = async (first) => {
    [taps, waiting] = [first, null];
    show();
    await remember();
  };
  const answer = async () => {
    const second = waiting;
    waiting = null;
    await take(second);
  };
  const tap = async (event) => {
    if (mark.disabled) return;
    const now = bothClocks(event);
    if (taps.length && isBounce(taps[taps.length - 1], now)) return;
    feel();
    tone("mark");
    if (taps.length === 1 && (ageOf(taps[0], now) ?? Infinity) > OLD_MARK_S) {
      waiting = now;
      mark.disabled = true;
      // The page says that the tap is kept, so it is on disk first.
      await remember();
      show();
    } else await take(now);
  };
  const take = async (now) => {
    taps.push(now);
    if (taps.length < marks) {
      show();
      await remember();
      return;
    }
    await save(taps, false);
  };
  // Without the tap at a mark between, the pass has its whole time and no splits.
  const save = async (all, without_splits) => {
    mark.disabled = true;
    try {
      await passFromTaps(outing, { gate: gate.id, direction }, without_splits ? [all[0], all[all.length - 1]] : all);
      newest = null;
      rests_until_ms = performance.now() + REST_MS;
      tone("pass");
      say(`Pass saved on this phone.${await bothWaysWords()}`);
      await app.render();
    } catch (error) {
      if (!without_splits) taps = taps.slice(0, -1);
      show();
      wrong.textContent = app.notSaved(error);
    }
  };
  mark.addEventListener("pointerdown", (event) => { if (event.isPrimary && event.button === 0) void tap(event); });
  mark.addEventListener("click", (event) => { if (event.detail === 0) void tap(event); });
  pressedByKeys(mark, tap);
  show();
  // The mark button never moves, and nothing else is ever in its place.
  return { dock: el("div", { class: "dock" }, wrong, question, mark), over, missed, gate, direction };
}

// Keys of the phone and of shutters press this button while it is on the screen.
export function pressedByKeys(mark, tap) {
  shown = { mark, tap };
}

globalThis.addEventListener?.("keydown", (event) => {
  if (!KEYS.has(event.key) || event.repeat || !shown?.mark.isConnected) return;
  const { activeElement } = document;
  // A control that has the focus keeps its own key.
  if (activeElement && activeElement !== document.body && ["Enter", " "].includes(event.key)) return;
  event.preventDefault();
  void shown.tap(event);
}, true);

function oldMarkQuestion(first, now, { use, anew }) {
  const age_s = ageOf(first, now);
  const words = age_s === null ? "The age of the first mark is not known: the phone's time was set back."
    : `The first mark is ${lengthOfTime(60 * Math.floor(age_s / 60))} old.`;
  return [el("p", {}, `${words} Use it, or start over?`),
    el("div", { class: "row" }, button("Use it", use), button("Start over: this tap is mark 1", anew))];
}
