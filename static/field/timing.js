// Timing a pass: by tapping at each mark, or by counting frames of a clip.

import { keepAwake, letSleep } from "./awake.js";
import { choices, form, quantity, quantityField, quantitiesOf, text } from "./entry.js";
import { button, el, feel, link, say } from "./elements.js";
import { lengthOfTime, readQuantity, written } from "./numbers.js";
import { addGate, gatesOf, otherWay, passFromTaps, passFromVideo, passSpeed, reference, setWay, strike } from "./outing.js";
import { ageOf, bothClocks, isBounce, OLD_MARK_S } from "./session_clock.js";
import { change, read } from "./store.js";

// A late tap on the last mark must not start another pass.
const REST_MS = 1000;
let rests_until_ms = 0;
// The taps of the running pass, for a redraw that comes before they are on disk.
let newest = null;

export async function passScreen(app, outing) {
  const gates = gatesOf(outing);
  if (!gates.length) return gateScreen(app, outing);
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
  const last = outing.passes[outing.passes.length - 1];

  const mark = el("button", { type: "button", class: "act first mark", id: "mark" });
  const question = el("div", { class: "question", id: "question", role: "alert", hidden: true });
  const over = button("Start over", () => anew([]));
  const flip = button(`Flip: going ${direction}`, async () => {
    await setWay(outing, { direction: otherWay(direction) });
    await app.render();
  });
  const ways = gates.length > 1 ? gates.map((choice) => button(choice.name, async () => {
    await setWay(outing, { gate: choice.id });
    await app.render();
  }, { "aria-pressed": String(choice.id === gate.id) })) : [];
  const wrong = el("p", { class: "wrong", role: "alert" });
  const remember = () => {
    newest = { key, taps: [...taps], asked: waiting, gate: gate.id, direction, values: {} };
    return change(["drafts"], async ({ drafts }) => { drafts.put(newest); });
  };
  const place = (index) => {
    const positions = direction === "out" ? gate.positions_m : [...gate.positions_m].reverse();
    return Math.abs(positions[index] - positions[0]);
  };
  const show = () => {
    const running = taps.length > 0;
    const rests_ms = running ? 0 : rests_until_ms - performance.now();
    const first = direction === "out" ? "the first mark" : "the last mark, coming back";
    const [title, hint] = waiting ? ["Answer above", "this tap is kept"]
      : rests_ms > 0 ? ["Pass saved", "ready in a moment"]
        : [`Mark ${taps.length + 1} of ${marks}`, running ? `running, tap at ${written(place(taps.length), "distance", units)}` : `tap as it passes ${first}`];
    mark.replaceChildren(el("strong", {}, title), el("span", {}, hint));
    mark.disabled = waiting !== null || rests_ms > 0;
    if (rests_ms > 0) setTimeout(show, rests_ms);
    over.hidden = !running;
    for (const choice of [flip, ...ways]) choice.disabled = running;
    question.hidden = waiting === null;
    if (waiting) question.replaceChildren(...oldMarkQuestion(taps[0], waiting, { use: () => answer(), anew: () => anew([waiting]) }));
    if (running) void keepAwake("pass");
    else void letSleep("pass");
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
    mark.disabled = true;
    try {
      await passFromTaps(outing, { gate: gate.id, direction }, taps);
      newest = null;
      rests_until_ms = performance.now() + REST_MS;
      say("Pass saved on this phone.");
      await app.render();
    } catch (error) {
      taps = taps.slice(0, -1);
      show();
      wrong.textContent = app.notSaved(error);
    }
  };
  mark.addEventListener("pointerdown", (event) => { if (event.isPrimary && event.button === 0) void tap(event); });
  mark.addEventListener("click", (event) => { if (event.detail === 0) void tap(event); });
  show();

  return [
    el("h1", {}, "Time a pass"),
    last ? result(app, outing, last, units) : el("p", { class: "caution small" }, "Nobody stands in the line of travel. The run-out is many stopping distances long."),
    wrong,
    ways.length > 0 && el("div", { class: "row" }, ways),
    el("p", { class: "quiet" }, `${gate.name}: ${written(gate.positions_m[marks - 1], "distance", units)}, ${marks} marks. Going ${direction}.`),
    el("div", { class: "bottom" },
      el("div", { class: "row" }, flip, link("Board", "board")),
      el("div", { class: "row" }, over, link("From video", "video"), link("New gate", "gate"))),
    // The mark button never moves, and nothing else is ever in its place.
    el("div", { class: "dock" }, question, mark),
  ];
}

function oldMarkQuestion(first, now, { use, anew }) {
  const age_s = ageOf(first, now);
  const words = age_s === null ? "The age of the first mark is not known: the phone's time was set back."
    : `The first mark is ${lengthOfTime(60 * Math.floor(age_s / 60))} old.`;
  return [el("p", {}, `${words} Use it, or start over?`),
    el("div", { class: "row" }, button("Use it", use), button("Start over: this tap is mark 1", anew))];
}

function result(app, outing, pass, units) {
  const speed = pass.timeless ? null : passSpeed(outing, pass);
  const which = `Pass ${outing.passes.length}, ${pass.direction}`;
  const strikes = button(pass.valid ? "Strike it out" : "Bring it back", async () => {
    try {
      await strike(outing, pass.id, !pass.valid);
      say(pass.valid ? "Struck out." : "It counts again.");
      await app.render();
    } catch (error) {
      say(app.notSaved(error), { wrong: true });
    }
  });
  return el("section", { class: pass.valid || pass.timeless ? "result" : "result struck", "aria-live": "polite" },
    el("p", { class: "figure", id: "speed" }, speed ? written(speed.value, "speed", units, speed.u) : "no speed"),
    el("p", {}, pass.timeless ? `${which}, does not count: ${pass.invalid_reason}`
      : `${which}: ${speed ? written(pass.duration_s, "duration", units, speed.u_duration_s) : ""}. ` +
        `± is twice the standard uncertainty, ${pass.method === "video" ? "of frames" : "with the thumb's"} and the gate's.`),
    pass.timeless ? null : el("div", { class: "row" }, strikes));
}

export async function videoScreen(app, outing) {
  const gates = gatesOf(outing);
  if (!gates.length) return gateScreen(app, outing);
  const rate = quantityField("passes", "frames_per_s");
  const whole = { ...quantityField("passes", "duration_s"), name: "whole_s", label: "whole seconds", includes_low: true };
  const frames = { name: "frames", label: "and frames beyond them", kind: "ratio", low: 0, includes_low: true, high: 100000 };
  const entryForm = await form(`video/${outing.id}`, async (filled) => {
    const values = quantitiesOf(filled, [whole, frames, rate]);
    if (!values) return;
    const wrong = document.getElementById("video-wrong");
    if (values.frames_per_s === null || (!values.whole_s && !values.frames)) {
      wrong.textContent = "A pass needs seconds or frames, and the frame rate the clip was taken at, for example 30 or 29.97.";
      return;
    }
    try {
      await setWay(outing, { direction: filled.elements.direction.value });
      outing.direction = filled.elements.direction.value;
      await passFromVideo(outing, filled.elements.gate.value, {
        whole_s: values.whole_s ?? 0, frames: values.frames ?? 0, frames_per_s: values.frames_per_s,
      });
    } catch (error) {
      wrong.textContent = app.notSaved(error);
      return;
    }
    feel();
    say("Pass saved on this phone.");
    app.go("pass");
  },
    choices("gate", "Gate", gates.map((gate) => [gate.id, gate.name]), { chosen: outing.gate ?? gates[0].id }),
    choices("direction", "Direction", [["out", "Out"], ["back", "Back"]], { chosen: outing.direction }),
    quantity(whole), quantity(frames),
    quantity(rate, { value: outing.frames_per_s ?? null, last: "The rate it was taken at; slow motion plays at another." }),
    el("p", { class: "wrong", id: "video-wrong", role: "alert" }),
    el("div", { class: "bottom" }, link("Back", "pass"), el("button", { class: "act first" }, "Save pass")));
  return [el("h1", {}, "Pass from video"), entryForm];
}

export async function gateScreen(app, outing) {
  const { units } = reference.data;
  const u = quantityField("gates", "u_distance_m");
  const distance = { name: "distance", label: "distance from the first to the last mark", kind: "distance", low: 0, includes_low: false, high: 100000 };
  const entryForm = await form(`gate/${outing.id}`, async (filled) => {
    const wrong = document.getElementById("gate-wrong");
    wrong.textContent = "";
    const values = quantitiesOf(filled, [distance, u]);
    if (!values) return;
    const length_m = values.distance;
    if (length_m === null) {
      wrong.textContent = "Write the distance between the marks, for example 100.";
      return;
    }
    let between;
    try {
      between = filled.elements.between.value.split(/[;\s]+/).filter(Boolean)
        .map((part) => readQuantity(part, { ...distance, label: "marks between" }, units));
    } catch (error) {
      wrong.textContent = error.message;
      return;
    }
    const positions_m = [0, ...between, length_m];
    if (positions_m.some((position_m, index) => index && position_m <= positions_m[index - 1])) {
      wrong.textContent = "Each mark must stand farther from the first than the one before, for example 25 50 75.";
      return;
    }
    try {
      await addGate(outing, { name: filled.elements.name.value.trim() || "Gate", positions_m, u_distance_m: values.u_distance_m ?? 0.1 });
    } catch (error) {
      wrong.textContent = app.notSaved(error);
      return;
    }
    feel();
    say("Gate saved on this phone.");
    app.go("pass");
  },
    text("name", "Name of the gate", { value: `Gate ${gatesOf(outing).length + 1}`, most: 80 }),
    quantity(distance),
    text("between", "Marks between, if there are any", { hint: "Their distances from the first, with spaces: 25 50 75" }),
    quantity(u, { value: 0.1, last: "How well the distance is known; twice this covers it nearly always." }),
    el("p", { class: "wrong", id: "gate-wrong", role: "alert" }),
    el("div", { class: "bottom" }, link("Board", "board"), el("button", { class: "act first" }, "Save gate")));
  return [el("h1", {}, "New gate"), el("p", {}, "Two marks or more, a known distance apart."), entryForm];
}
