// Timing a pass: by tapping at each mark, or by counting frames of a clip.

import { choices, form, quantity, quantityField, quantitiesOf, text } from "./entry.js";
import { button, el, feel, link, say } from "./elements.js";
import { readQuantity, written } from "./numbers.js";
import { addGate, gatesOf, otherWay, passFromTaps, passFromVideo, passSpeed, reference, setWay, strike } from "./outing.js";
import { change, read } from "./store.js";

// A glove that bounces off the glass is not a second mark.
const BOUNCE_MS = 300;

export async function passScreen(app, outing) {
  const gates = gatesOf(outing);
  if (!gates.length) return gateScreen(app, outing);
  const gate = gates.find((one) => one.id === outing.gate) ?? gates[0];
  const marks = gate.positions_m.length;
  const key = `pass/${outing.id}`;
  let taps = (await read("drafts", key))?.taps ?? [];
  const { units } = reference.told;
  const last = outing.passes[outing.passes.length - 1];

  const mark = el("button", { type: "button", class: "act first mark", id: "mark" });
  const over = button("Start over", async () => { taps = []; await remember(); show(); });
  const said = el("p", { class: "wrong", role: "alert" });
  const remember = () => change(["drafts"], async ({ drafts }) => { drafts.put({ key, taps, values: {} }); });
  const show = () => {
    mark.replaceChildren(
      el("strong", {}, `Mark ${taps.length + 1} of ${marks}`),
      el("span", {}, taps.length ? `running, tap at ${written(place(taps.length), "distance", units)}` : `tap as it passes ${outing.direction === "out" ? "the first mark" : "the last mark, coming back"}`),
    );
    over.hidden = !taps.length;
  };
  const place = (index) => {
    const positions = outing.direction === "out" ? gate.positions_m : [...gate.positions_m].reverse();
    return Math.abs(positions[index] - positions[0]);
  };
  const tap = async (event) => {
    // The event's own time, not the time this line runs at: the page may be busy.
    const at = performance.timeOrigin + event.timeStamp;
    if (taps.length && at - taps[taps.length - 1] < BOUNCE_MS) return;
    taps.push(at);
    feel();
    if (taps.length < marks) {
      show();
      await remember();
      return;
    }
    const taken = taps;
    mark.disabled = true;
    try {
      await passFromTaps(outing, gate.id, taken);
      say("Pass saved on this phone.");
      await app.render();
    } catch (error) {
      taps = taken.slice(0, -1);
      mark.disabled = false;
      said.textContent = app.notSaved(error);
    }
  };
  mark.addEventListener("pointerdown", (event) => { if (event.isPrimary && event.button === 0) void tap(event); });
  mark.addEventListener("click", (event) => { if (event.detail === 0) void tap(event); });
  show();

  return [
    el("h1", {}, "Time a pass"),
    last ? result(app, outing, last, units) : el("p", { class: "caution small" }, "Nobody stands in the line of travel. The run-out is many stopping distances long."),
    said,
    gates.length > 1 && el("div", { class: "row" }, gates.map((one) => button(one.name, async () => {
      await setWay(outing, { gate: one.id });
      await app.render();
    }, { "aria-pressed": String(one.id === gate.id) }))),
    el("p", { class: "quiet" }, `${gate.name}: ${written(gate.positions_m[marks - 1], "distance", units)}, ${marks} marks. Going ${outing.direction}.`),
    el("div", { class: "bottom" },
      el("div", { class: "row" },
        button(`Flip: going ${outing.direction}`, async () => {
          await setWay(outing, { direction: otherWay(outing.direction) });
          await app.render();
        }),
        over),
      mark,
      el("div", { class: "row" }, link("Board", "board"), link("From video", "video"), link("New gate", "gate"))),
  ];
}

function result(app, outing, pass, units) {
  const speed = passSpeed(outing, pass);
  return el("section", { class: pass.valid ? "result" : "result struck", "aria-live": "polite" },
    el("p", { class: "figure", id: "speed" }, speed ? written(speed.value, "speed", units, speed.u) : "no speed"),
    el("p", {}, `Pass ${outing.passes.length}, ${pass.direction}: ${speed ? written(pass.duration_s, "duration", units, speed.u_duration_s) : ""}. ` +
      `± is twice the standard uncertainty, ${pass.method === "video" ? "of frames" : "with the thumb's"} and the gate's.`),
    el("div", { class: "row" }, button(pass.valid ? "Strike it out" : "Bring it back", async () => {
      try {
        await strike(outing, pass.id, !pass.valid);
        say(pass.valid ? "Struck out." : "It counts again.");
        await app.render();
      } catch (error) {
        say(app.notSaved(error), { wrong: true });
      }
    })));
}

export async function videoScreen(app, outing) {
  const gates = gatesOf(outing);
  if (!gates.length) return gateScreen(app, outing);
  const rate = quantityField("passes", "frames_per_s");
  const whole = { ...quantityField("passes", "duration_s"), name: "whole_s", label: "whole seconds", includes_low: true };
  const frames = { name: "frames", label: "and frames beyond them", kind: "ratio", low: 0, includes_low: true, high: 100000 };
  const made = await form(`video/${outing.id}`, async (filled) => {
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
    await app.forget(`video/${outing.id}`);
    feel();
    say("Pass saved on this phone.");
    app.go("pass");
  },
    choices("gate", "Gate", gates.map((one) => [one.id, one.name]), { chosen: outing.gate ?? gates[0].id }),
    choices("direction", "Direction", [["out", "Out"], ["back", "Back"]], { chosen: outing.direction }),
    quantity(whole), quantity(frames),
    quantity(rate, { value: outing.frames_per_s ?? null, last: "The rate it was taken at; slow motion plays at another." }),
    el("p", { class: "wrong", id: "video-wrong", role: "alert" }),
    el("div", { class: "bottom" }, link("Back", "pass"), el("button", { class: "act first" }, "Save pass")));
  return [el("h1", {}, "Pass from video"), made];
}

export async function gateScreen(app, outing) {
  const { units } = reference.told;
  const u = quantityField("gates", "u_distance_m");
  const distance = { name: "distance", label: "distance from the first to the last mark", kind: "distance", low: 0, includes_low: false, high: 100000 };
  const made = await form(`gate/${outing.id}`, async (filled) => {
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
    if (positions_m.some((one, index) => index && one <= positions_m[index - 1])) {
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
  return [el("h1", {}, "New gate"), el("p", {}, "Two marks or more, a known distance apart."), made];
}
