// A reading of the instruments; the fields of the last reading come first.

import { inChosenSign } from "./decimal_sign.js";
import { undo } from "./editing.js";
import { fieldNames, form, quantitiesOf, quantity, quantityField } from "./entry.js";
import { el, feel, link, say } from "./elements.js";
import { warnIn } from "./limits.js";
import { lengthOfTime, readQuantity, written } from "./numbers.js";
import { addMeterPhoto, addReading, reference, revisionOf } from "./outing.js";
import { runtime_s } from "./session_clock.js";

const AT_FIRST = ["voltage_v", "current_a", "charge_used_ah", "distance_m"];

export async function readingScreen(app, outing) {
  const { units } = reference.data;
  const names = fieldNames("readings", "reading");
  // What the reading before had is open too; what energy left rests on never folds.
  const used = [...AT_FIRST, ...(outing.reading_fields ?? [])];
  const first = names.filter((name) => used.includes(name));
  const others = names.filter((name) => !used.includes(name));
  const lastOf = (name) => {
    const field = quantityField("readings", name);
    const reading = [...outing.readings].reverse().find((earlier) => typeof earlier[name] === "number");
    if (!reading) return {};
    const age = lengthOfTime(Math.max(0, runtime_s(outing) - reading.time_into_session_s));
    return { last: `Last ${written(reading[name], field.kind, units)}, ${age} ago`, steps_from: reading[name] };
  };
  const entry = (name, index) => quantity(quantityField("readings", name), { ...lastOf(name), autofocus: index === 0 });
  const photograph = async (event) => {
    const [file] = event.target.files;
    if (!file) return;
    try {
      await addMeterPhoto(outing, file);
    } catch (error) {
      document.getElementById("reading-wrong").textContent = app.notSaved(error);
      event.target.value = "";
      return;
    }
    feel();
    say("Photo of the meter saved on this phone; its digits can be read off later.");
    app.go("board");
  };
  const entryForm = await form(`reading/${outing.id}`, async (filled) => {
    const wrong = document.getElementById("reading-wrong");
    wrong.textContent = "";
    const values = quantitiesOf(filled, names.map((name) => quantityField("readings", name)));
    if (!values) return;
    const measured = Object.fromEntries(Object.entries(values).filter(([, value]) => value !== null));
    if (!Object.keys(measured).length) {
      wrong.textContent = inChosenSign("A reading needs at least one value, for example 50.4 V.");
      return;
    }
    const words = `Reading: ${Object.entries(measured).map(([name, value]) => written(value, quantityField("readings", name).kind, units)).join(", ")}`;
    let id;
    try {
      id = await addReading(outing, measured, words);
    } catch (error) {
      wrong.textContent = app.notSaved(error);
      return;
    }
    feel();
    say(`${words}. Saved on this phone.`, { undo: async () => { await undo(outing, "readings", id); await app.render(); } });
    app.go("board");
  },
    first.map(entry),
    others.length > 0 && el("details", {}, el("summary", {}, "More to read off"), others.map((name) => entry(name, -1))),
    el("label", { class: "act file", for: "meter" }, "Photo of the meter, digits later",
      el("input", { id: "meter", type: "file", accept: "image/jpeg,image/png,image/webp", capture: "environment", onchange: (event) => void photograph(event) })),
    el("p", { class: "wrong", id: "reading-wrong", role: "alert" }),
    el("div", { class: "bottom" }, link("Board", "board"), el("button", { class: "act first" }, "Save reading")));
  const read = (name, typed) => readQuantity(typed, quantityField("readings", name), units);
  warnIn(entryForm, names, () => revisionOf(outing)?.limits, read, units);
  return [el("h1", {}, "Reading"),
    el("p", { class: "caution small" }, "A pack that is hot, swollen, hissing or smells: away from it, and everybody upwind."), entryForm];
}
