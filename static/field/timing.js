// Timing a pass: by tapping at each mark, or by counting frames of a clip.

import { choices, form, quantity, quantityField, quantitiesOf, text } from "./entry.js";
import { button, el, feel, link, say } from "./elements.js";
import { doubtfulPasses, handsFreeGates } from "./hands_free.js";
import { marking } from "./marking.js";
import { readQuantity, written } from "./numbers.js";
import { addGate, bothWays, gatesOf, isStandingStart, otherWay, passFromVideo, passSpeed, reference, setStart, setWay, STARTS, strike } from "./outing.js";

export async function passScreen(app, outing) {
  const gates = gatesOf(outing);
  if (!gates.length) return gateScreen(app, outing);
  const { units } = reference.data;
  const last = outing.passes[outing.passes.length - 1];
  const flip = button(`Flip: going ${outing.direction}`, async () => {
    await setWay(outing, { direction: otherWay(outing.direction) });
    await app.render();
  });
  const ways = gates.length > 1 ? gates.map((choice) => button(choice.name, async () => {
    await setWay(outing, { gate: choice.id });
    await app.render();
  })) : [];
  const { dock, over, missed, gate, direction } = await marking(app, outing, { locked: [flip, ...ways] });
  flip.textContent = `Flip: going ${direction}`;
  ways.forEach((choice, index) => choice.setAttribute("aria-pressed", String(gates[index].id === gate.id)));
  return [
    el("h1", {}, "Time a pass"),
    last ? result(app, outing, last, units) : el("p", { class: "caution small" }, "Nobody stands in the line of travel. The run-out is many stopping distances long."),
    ways.length > 0 && el("div", { class: "row" }, ways),
    el("p", { class: "quiet" }, `${gate.name}: ${written(gate.positions_m[gate.positions_m.length - 1], "distance", units)}, ${gate.positions_m.length} marks. Going ${direction}.`),
    doubtfulPasses(app, outing),
    el("div", { class: "bottom" },
      missed,
      navigator.geolocation && globalThis.isSecureContext ? link(handsFreeGates(outing).length ? "Marks have places: set them anew" : "Find passes by satellite: set the marks", `stand/${gate.id}`, { class: "act wide" }) : null,
      el("div", { class: "row" }, flip, link("Board", "board")),
      el("div", { class: "row" }, over, link("From video", "video"), link("New gate", "gate")),
      link("Two phones, one at each mark", "marks", { class: "act wide" })),
    dock,
  ];
}

function result(app, outing, pass, units) {
  const speed = pass.timeless ? null : passSpeed(outing, pass);
  const which = `Pass ${outing.passes.length}, ${pass.direction}`;
  const both = bothWays(outing);
  const standing = isStandingStart(pass);
  const changing = (label, work, done) => button(label, async () => {
    try {
      await work();
      say(done);
      await app.render();
    } catch (error) {
      say(app.notSaved(error), { wrong: true });
    }
  });
  const strikes = changing(pass.valid ? "Strike it out" : "Bring it back", () => strike(outing, pass.id, !pass.valid), pass.valid ? "Struck out." : "It counts again.");
  const starts = changing(standing ? "It was a flying start" : "It was a standing start", () => setStart(outing, pass.id, !standing), standing ? "It counts again." : "It counts for no speed.");
  return el("section", { class: pass.valid || pass.timeless || standing ? "result" : "result struck", "aria-live": "polite" },
    el("p", { class: "figure", id: "speed" }, speed ? written(speed.value, "speed", units, speed.u) : "no speed"),
    el("p", {}, pass.timeless ? `${which}, does not count: ${pass.invalid_reason}`
      : standing ? `${which}, ${written(pass.duration_s, "duration", units, pass.u_duration_s)}: a standing start, which counts for no speed.`
      : `${which}: ${speed ? written(pass.duration_s, "duration", units, speed.u_duration_s) : ""}. ` +
        `± is twice the standard uncertainty, ${{ video: "of frames", satellite: "by satellite" }[pass.method] ?? "with the thumb's"} and the gate's.`),
    both && el("p", { id: "both-ways" }, el("strong", {}, written(both.value, "speed", units, both.u)), ` mean of both ways, passes ${outing.passes.length - 1} and ${outing.passes.length}.`),
    pass.timeless ? null : el("div", { class: "row" }, standing ? null : strikes, pass.valid || standing ? starts : null));
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
      }, filled.elements.start.value);
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
    choices("start", "Start", STARTS),
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
