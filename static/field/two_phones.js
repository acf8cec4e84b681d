// Two phones, one at each mark of a gate: each keeps the moment of its own mark by the server's clock, and the server makes
// the pass where both have arrived.

import { keepAwake, letSleep } from "./awake.js";
import { momentOf } from "./clock_comparison.js";
import { button, counted, el, feel, link, newKey, say } from "./elements.js";
import { ask } from "./link.js";
import { pressedByKeys } from "./marking.js";
import { lengthOfTime, written } from "./numbers.js";
import { gatesOf, passSpeed, pressUncertainty, reference, setWay } from "./outing.js";
import { keep } from "./queue.js";
import { compareWithServer, comparison } from "./server_clock.js";
import { bothClocks, isBounce } from "./session_clock.js";
import { tone } from "./sound.js";
import { all } from "./store.js";

const COMPARE_EVERY_MS = 60_000;
const ASK_EVERY_MS = 5_000;
const SHOWN = 4;
const TICK_MS = 1_000;

let last_tap = null;
// What the server said last: passes of this session that two phones timed.
let made = { session: null, passes: [] };

export async function addMark(outing, { gate, at_last_mark }, { server_s, u_s, reason }) {
  const id = newKey();
  const at = new Date(1000 * server_s);
  const payload = {
    session: outing.id, gate, at_last_mark, at: at.toISOString(), u_s: Math.hypot(u_s, pressUncertainty(outing)), valid: !reason, invalid_reason: reason,
  };
  const words = `${at_last_mark ? "Last" : "First"} mark, ${at.toLocaleTimeString([], { hourCycle: "h23" })}`;
  await keep([{ id, kind: "mark-taps", session: outing.id, needs: [outing.id, gate], payload, words }], {
    outing: [outing.id, (page) => { (page["mark-taps"] ??= []).push({ id, words, ...payload }); }],
  });
  return payload;
}

export async function marksScreen(app, outing) {
  const gates = gatesOf(outing);
  if (!gates.length) return [el("h1", {}, "Two phones"), el("p", {}, "They need a gate first."), el("div", { class: "bottom" }, link("New gate", "gate"))];
  const { units } = reference.data;
  const gate = gates.find((choice) => choice.id === outing.gate) ?? gates[0];
  const end = outing.stands_at ?? null;
  const choose = (label, change, chosen) => button(label, async () => {
    await setWay(outing, change);
    await app.render();
  }, { "aria-pressed": String(chosen) });
  const status = el("p", { id: "compared", role: "status" });
  const wrong = el("p", { class: "wrong", role: "alert" });
  const results = el("section", { class: "result", id: "paired", "aria-live": "polite" });
  const sent = el("p", { class: "quiet", id: "marks-sent" });
  const mark = el("button", { type: "button", class: "act first mark", id: "moment", disabled: true });
  let compared = await comparison();

  const show = () => {
    const now = compared && momentOf(bothClocks(), compared);
    status.className = now && !now.reason ? "" : "caution";
    status.textContent = !now ? "The clocks are not compared yet. That needs the network once, at the start."
      : now.reason ? `${now.reason} Go where there is a network, to compare them again; until then no pass is made of these marks.`
        : `Clocks compared ${lengthOfTime(Math.max(0, now.age_s))} ago: this phone's is known to ± ${written(2 * now.u_s, "duration", units, 0, 2)}.`;
    mark.disabled = !end || !now;
    mark.replaceChildren(el("strong", {}, "Mark"), el("span", {}, !end ? "choose your mark first" : !now ? "compare the clocks first" : `as it passes the ${end} mark`));
  };
  const showMade = async () => {
    const waiting = new Set((await all("records")).map((record) => record.id));
    const own = outing["mark-taps"] ?? [];
    const here = own.filter((tap) => waiting.has(tap.id)).length;
    sent.textContent = own.length ? `${counted(own.length, "mark")} by this phone${here ? `, ${here} not sent yet` : ", all on the server"}.` : "";
    const passes = made.session === outing.id ? made.passes.slice(-SHOWN).reverse() : [];
    results.hidden = !passes.length;
    results.replaceChildren(...passes.map((pass, index) => {
      const speed = pass.valid ? passSpeed(outing, pass) : null;
      const time = written(pass.duration_s, "duration", units, pass.u_duration_s);
      return el("p", { class: index ? "" : "figure" }, `Pass ${pass.number}, ${pass.direction}: ${speed ? `${written(speed.value, "speed", units, speed.u)}, ` : ""}${time}${pass.valid ? "" : `, does not count: ${pass.invalid_reason}`}`);
    }));
  };
  const fetchMade = async () => {
    const answer = await ask(`passes/?session=${outing.id}&gate=${gate.id}`);
    if (answer.kind !== "json" || answer.status !== 200) return;
    made = { session: outing.id, passes: answer.body.results.filter((pass) => pass.method === "two_phones") };
  };
  const tap = async (event) => {
    if (mark.disabled) return;
    const now = bothClocks(event);
    if (last_tap && isBounce(last_tap, now)) return;
    last_tap = now;
    feel();
    tone("mark");
    try {
      const { at, u_s, invalid_reason } = await addMark(outing, { gate: gate.id, at_last_mark: end === "last" }, momentOf(now, compared));
      wrong.textContent = "";
      say(`Mark of ${new Date(at).toLocaleTimeString([], { hourCycle: "h23" })} saved on this phone, ± ${written(2 * u_s, "duration", units, 0, 2)}.${invalid_reason ? " It does not count." : ""}`);
      await app.render();
    } catch (error) {
      wrong.textContent = app.notSaved(error);
    }
  };
  mark.addEventListener("pointerdown", (event) => { if (event.isPrimary && event.button === 0) void tap(event); });
  mark.addEventListener("click", (event) => { if (event.detail === 0) void tap(event); });
  pressedByKeys(mark, tap);
  void keepAwake("marks");

  let [placed, compare_at_ms, ask_at_ms, busy] = [false, 0, 0, false];
  const tick = async () => {
    placed ||= mark.isConnected;
    if (placed && !mark.isConnected) return;
    setTimeout(() => void tick(), TICK_MS);
    show();
    if (busy) return;
    busy = true;
    try {
      if (performance.now() >= compare_at_ms) {
        compare_at_ms = performance.now() + COMPARE_EVERY_MS;
        compared = await compareWithServer();
        show();
      }
      if (performance.now() >= ask_at_ms) {
        ask_at_ms = performance.now() + ASK_EVERY_MS;
        await fetchMade();
        await showMade();
      }
    } finally {
      busy = false;
    }
  };
  show();
  await showMade();
  setTimeout(() => void tick());
  return [
    el("h1", {}, "Two phones"),
    el("p", {}, "One phone at each mark, both in this session. Tap as the machine passes; the pass is made where both marks have arrived."),
    gates.length > 1 && el("div", { class: "row" }, gates.map((choice) => choose(choice.name, { gate: choice.id }, choice.id === gate.id))),
    el("p", { class: "quiet" }, `${gate.name}: ${written(gate.positions_m[gate.positions_m.length - 1], "distance", units)}. Where do you stand?`),
    el("div", { class: "row" }, [["first", "First mark"], ["last", "Last mark"]].map(([name, label]) => choose(label, { stands_at: name }, name === end))),
    results, status, sent,
    el("p", { class: "caution small" }, "Nobody stands in the line of travel."),
    el("div", { class: "bottom" }, el("div", { class: "row" }, link("One phone", "pass"), link("Logged", "logged"), link("Board", "board"))),
    el("div", { class: "dock" }, wrong, mark),
  ];
}

export async function leaveMarks() {
  await letSleep("marks");
}
