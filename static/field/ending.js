// The end of a session: what was logged, and what can still be measured at the lake.

import { labelOf, versus } from "./differs.js";
import { fieldNames, choices, form, quantitiesOf, quantity, quantityField, text } from "./entry.js";
import { button, clock, counted, el, feel, link, say } from "./elements.js";
import { warnIn } from "./limits.js";
import { equal, formChanges } from "./merge.js";
import { bare, lengthOfTime, readQuantity } from "./numbers.js";
import { leave, reference, revisionOf, write } from "./outing.js";
import { counts } from "./queue.js";
import { atLeast_s, clockWords, runtime_s } from "./session_clock.js";
import { read } from "./store.js";
import { stopTrack } from "./track.js";

const WORDS = ["distance_method", "notes"];
const METHODS = [["", "Not recorded"], ["wheel", "Wheel counter"], ["satellite", "Satellite track"], ["laps", "Laps"], ["estimate", "Estimate"]];
const WHY = {
  rest_voltage_end_v: "Rest voltage after: let the pack rest, then measure before it is charged. It cannot be measured later.",
  charge_used_ah: "Charge used: read the counter before it is reset.",
  distance_m: "Distance ridden: read the trip counter before it is reset.",
  rest_voltage_start_v: "Rest voltage before the ride was not written down; energy left assumes a full pack.",
};

function lastRead(outing, name) {
  const readings = outing.readings.filter((reading) => typeof reading[name] === "number");
  return readings.length ? readings[readings.length - 1][name] : null;
}

export function missingOf(outing) {
  return Object.keys(WHY).filter((name) => outing.session[name] === null || outing.session[name] === undefined);
}

// The stored and the shown values when the form opens, so that only changed fields are written.
function beginning(outing, fields, likely) {
  const names = [...fieldNames("sessions", "end"), ...WORDS];
  const stored = Object.fromEntries(names.map((name) => [name, outing.session[name] ?? null]));
  const shown = Object.fromEntries(WORDS.map((name) => [name, stored[name] ?? ""]));
  for (const { name, kind } of fields) shown[name] = bare(stored[name] ?? likely[name] ?? null, kind, reference.data.units);
  return { stored, shown };
}

// Resolves fields that another tab has saved meanwhile. Returns the choices, or null and asks for them.
function chosenOf(entryForm, overlap, typed, now) {
  const place = entryForm.querySelector("#end-differs");
  const shownValues = place.shownValues ?? {};
  const chosen = Object.fromEntries(overlap.map((name) => [
    name, name in shownValues && equal(shownValues[name], now[name]) ? entryForm.elements[`choose-${name}`]?.value ?? "" : "",
  ]));
  if (overlap.every((name) => chosen[name])) return chosen;
  place.shownValues = Object.fromEntries(overlap.map((name) => [name, now[name]]));
  place.replaceChildren(el("p", { class: "wrong", role: "alert" },
    `Saved in another tab since this one was opened: ${overlap.map((name) => labelOf("sessions", name).toLowerCase()).join(", ")}. Nothing is saved from here yet; choose which value stays.`),
  ...overlap.map((name) => versus("sessions", name, { stored: now[name], mine: typed[name], storedLabel: "Saved there", chosen: chosen[name] })));
  place.scrollIntoView({ block: "center" });
  return null;
}

function runtimeHint(outing, slept) {
  const hint = "Time since the start; subtract the time not riding.";
  if (slept === null) return `${clockWords(outing)} ${hint}`.trim();
  return `The phone's clocks disagree: ${lengthOfTime(slept)} by one, ${lengthOfTime(runtime_s(outing))} by the other. ` +
    "It slept, or its time was set. Write how long it was ridden, if you know it.";
}

export async function endScreen(app, outing) {
  const slept = atLeast_s(outing);
  const likely = {
    charge_used_ah: lastRead(outing, "charge_used_ah"), distance_m: lastRead(outing, "distance_m"),
    // To a tenth of a minute; nobody knows it more closely.
    runtime_s: slept === null ? Math.max(6, Math.round(runtime_s(outing) / 6) * 6) : null,
  };
  const fields = fieldNames("sessions", "end").map((name) => quantityField("sessions", name));
  const key = `end/${outing.id}`;
  const entryForm = await form(key, async (filled) => {
    const values = quantitiesOf(filled, fields);
    if (!values) return;
    const texts = Object.fromEntries(new FormData(filled));
    const typed = { ...values, distance_method: texts.distance_method ?? "", notes: texts.notes.trim() };
    try {
      // Another tab may have changed it.
      const now = await read("outings", outing.id);
      const { changes, overlap } = formChanges({ typed, texts, began: filled.began, now: now.session });
      const chosen = chosenOf(filled, overlap, typed, now.session);
      if (!chosen) {
        feel("wrong");
        return;
      }
      for (const name of overlap) if (chosen[name] === "mine") changes[name] = typed[name];
      await stopTrack("", app);
      await write(await read("outings", outing.id), changes, { ends: now.ended_ms === null });
    } catch (error) {
      document.getElementById("end-wrong").textContent = app.notSaved(error);
      return;
    }
    feel();
    say("Session ended. Saved on this phone.");
    app.go("summary");
  },
    fields.map((field) => quantity(field, {
      value: outing.session[field.name] ?? likely[field.name] ?? null,
      last: WHY[field.name] ?? (field.name === "runtime_s" ? runtimeHint(outing, slept) : ""),
    })),
    choices("distance_method", "How the distance is known", METHODS, { chosen: outing.session.distance_method ?? "" }),
    text("notes", "Notes", { value: outing.session.notes ?? "", rows: 3, most: 5000 }),
    el("div", { id: "end-differs" }),
    el("p", { class: "wrong", id: "end-wrong", role: "alert" }),
    el("div", { class: "bottom" }, link("Board", "board"), el("button", { class: "act first" }, outing.ended_ms ? "Save" : "End session")));
  entryForm.began ??= beginning(outing, fields, likely);
  const inStored = (name, typed) => readQuantity(typed, quantityField("sessions", name), reference.data.units);
  warnIn(entryForm, ["rest_voltage_end_v"], () => revisionOf(outing)?.limits, inStored, reference.data.units);
  return [el("h1", {}, outing.ended_ms ? "Still to measure" : "End"),
    el("p", {}, "Leave empty what is not measured yet; it can be added here until the next session starts."),
    outing.joined && button("Only this phone leaves; the session goes on", async () => { await leave(); app.go("start"); }, { class: "act wide" }),
    entryForm];
}

export async function summaryScreen(app, outing) {
  const missing = missingOf(outing);
  const { here, confirmed } = await counts(outing.id);
  const valid = outing.passes.filter((pass) => pass.valid).length;
  return [
    el("h1", {}, "Session ended"),
    el("p", {}, `${outing.revision_name}, ${outing.venue_name}, ${clock(outing.started_ms)} to ${clock(outing.ended_ms)}, ${outing.session.runtime_s || atLeast_s(outing) === null ? lengthOfTime(outing.session.runtime_s ?? runtime_s(outing)) : "for how long is not known"}.`),
    el("ul", { class: "logged" },
      el("li", {}, `${counted(valid, "pass that counts", "passes that count")}${valid < outing.passes.length ? `, ${outing.passes.length - valid} struck out` : ""}`),
      el("li", {}, counted(outing.readings.length, "reading or note", "readings and notes")),
      el("li", {}, counted(outing.failures.length, "failure")),
      el("li", {}, counted(outing.photos.length, "photo"))),
    missing.length > 0
      ? el("section", { class: "missing" }, el("h2", {}, "Still missing"), el("ul", {}, missing.map((name) => el("li", {}, WHY[name]))),
          link("Measure it now", "end", { class: "act wide" }))
      : el("p", {}, "Nothing is missing."),
    el("p", { class: "queue" }, here ? `${counted(here, "record is", "records are")} still on this phone only, ${confirmed} on the server.` : `All ${confirmed} records are on the server.`),
    el("div", { class: "bottom stacked" },
      here ? link("See what waits", "waiting") : null,
      button("It goes on: back to the board", async () => {
        try {
          await write(outing, {}, { reopens: true });
          app.go("board");
        } catch (error) {
          say(app.notSaved(error), { wrong: true });
        }
      }),
      button("Next session", async () => { await leave(); app.go("start"); }, { class: "act first" })),
  ];
}
