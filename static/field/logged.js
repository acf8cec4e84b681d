// Everything logged in this session: listed, and each can be edited or deleted, also after it was sent.

import { edit, remove, restore, rowOf } from "./editing.js";
import { choices, fieldNames, form, quantitiesOf, quantity, quantityField, text } from "./entry.js";
import { button, clock, counted, el, feel, link, say } from "./elements.js";
import { bare, lengthOfTime, written } from "./numbers.js";
import { STARTS, begun, gatesOf, isStandingStart, passSpeed, reference } from "./outing.js";
import { all, read } from "./store.js";

const LISTS = { passes: "Passes", readings: "Readings and notes", failures: "Failures", photos: "Photos", "voice-notes": "Voice notes", "mark-taps": "Marks of two phones", gates: "Gates made here" };
const SEVERITIES = [[1, "I"], [2, "II"], [3, "III"], [4, "IV"]];

function inWords(outing, list, row, index) {
  const { units } = reference.data;
  if (list === "passes") {
    const speed = row.timeless ? null : passSpeed(outing, row);
    const counts = row.valid ? "" : `, does not count: ${row.invalid_reason}`;
    return `Pass ${index + 1}, ${row.direction}, ${written(row.duration_s, "duration", units, speed?.u_duration_s ?? 0)}${speed ? `, ${written(speed.value, "speed", units, speed.u)}` : ""}${counts}`;
  }
  if (list === "failures") return `${row.mode_name}, ${SEVERITIES[row.severity - 1][1]}${row.conditions ? `: ${row.conditions}` : ""}`;
  if (list === "gates") return `${row.name}, ${written(row.positions_m[row.positions_m.length - 1], "distance", units)}`;
  if (list === "mark-taps") return row.valid ? row.words : `${row.words}, does not count: ${row.invalid_reason}`;
  if (["photos", "voice-notes"].includes(list)) return row.caption ? `${row.words}: ${row.caption}` : row.words;
  return row.words;
}

export async function loggedScreen(app, outing) {
  const waiting = new Set((await all("records")).map((record) => record.id));
  const to_read = outing.readings.filter((row) => row.to_read);
  const lists = Object.keys(LISTS).filter((list) => outing[list]?.length);
  return [
    el("h1", {}, "Logged"),
    lists.length ? null : el("p", {}, "Nothing is logged yet."),
    to_read.length > 0 && el("section", { class: "notice", id: "to-read" }, el("p", {}, `${counted(to_read.length, "meter is", "meters are")} photographed and not read off yet.`),
      to_read.map((row) => link(`Read off: ${lengthOfTime(row.time_into_session_s)} into the session`, `edit/${row.id}`, { class: "act wide" }))),
    lists.map((list) => el("section", {},
      el("h2", {}, LISTS[list]),
      el("ol", { class: "records", reversed: true }, outing[list].map((row, index) => el("li", { "data-id": row.id },
        el("p", {}, el("strong", {}, inWords(outing, list, row, index))),
        el("p", { class: "quiet small" }, [
          row.time_into_session_s === undefined || row.time_into_session_s === null ? "" : `${lengthOfTime(row.time_into_session_s)} into the session (${clock(outing.started_ms + 1000 * row.time_into_session_s)}); `,
          waiting.has(row.id) ? "waits on this phone" : "on the server"].join("")),
        el("div", { class: "row" },
          list === "gates" ? null : link("Edit", `edit/${row.id}`, { "aria-label": `Edit: ${inWords(outing, list, row, index)}` }),
          button("Delete", () => void discard(app, outing, list, row, inWords(outing, list, row, index)), { "aria-label": `Delete: ${inWords(outing, list, row, index)}` })),
      )).reverse()))),
    el("div", { class: "bottom" }, link("Board", "board")),
  ];
}

async function discard(app, outing, list, row, words) {
  if (list === "gates" && outing.passes.some((pass) => pass.gate === row.id)) {
    say("Passes were timed at this gate. Delete those first.", { wrong: true });
    return;
  }
  try {
    const removed = await remove(outing, list, row.id);
    feel();
    say(`Deleted: ${words}.`, { undo: async () => { await restore(outing, removed); await app.render(); } });
    await app.render();
  } catch (error) {
    say(app.notSaved(error), { wrong: true });
  }
}

const counting = (row) => [
  choices("counts", "Does it count?", [["yes", "It counts"], ["no", "It does not"]], { chosen: row.valid ? "yes" : "no" }),
  text("invalid_reason", "If not, why?", { value: row.invalid_reason, most: 200 }),
];

function whetherItCounts(typed) {
  const valid = typed.counts === "yes";
  return { valid, invalid_reason: valid ? "" : typed.invalid_reason.trim() || "Struck out on the phone." };
}

const EDITED = {
  passes: {
    fields: (outing, row) => [
      choices("direction", "Direction", [["out", "Out"], ["back", "Back"]], { chosen: row.direction }),
      choices("gate", "Gate", gatesOf(outing).map((gate) => [gate.id, gate.name]), { chosen: row.gate }),
      row.timeless || row.method === "satellite" ? null : quantity(quantityField("passes", "duration_s"), { value: row.duration_s }),
      row.timeless ? null : choices("start", "Start", STARTS, { chosen: isStandingStart(row) ? row.invalid_reason : "" }),
      ...(row.timeless || isStandingStart(row) ? [] : counting(row)),
    ],
    read(filled, row) {
      const typed = Object.fromEntries(new FormData(filled));
      const changes = { direction: typed.direction, gate: typed.gate };
      if (filled.elements.duration_s) {
        const times = quantitiesOf(filled, [quantityField("passes", "duration_s")]);
        if (!times) return null;
        if (times.duration_s === null) throw new RangeError("A pass needs its time, for example 7,33.");
        // What was not touched keeps the digits that the field does not show.
        if (typed.duration_s !== bare(row.duration_s, "duration", reference.data.units)) {
          Object.assign(changes, { duration_s: times.duration_s, split_times_s: [] });
        }
      }
      const standing = Boolean(typed.start);
      if (filled.elements.start && standing !== isStandingStart(row)) Object.assign(changes, begun(standing));
      else if (typed.counts) {
        Object.assign(changes, whetherItCounts(typed));
      }
      return changes;
    },
  },
  readings: {
    fields: (_, row) => [
      ...fieldNames("readings", "reading").map((name) => quantity(quantityField("readings", name), { value: row[name] ?? null })),
      text("note", "Note", { value: row.to_read ? "" : row.note ?? "", rows: 2, most: 500 }),
    ],
    read(filled, row) {
      const names = fieldNames("readings", "reading");
      const values = quantitiesOf(filled, names.map((name) => quantityField("readings", name)));
      if (!values) return null;
      for (const name of names) {
        if (filled.elements[name].value === bare(row[name] ?? null, quantityField("readings", name).kind, reference.data.units)) values[name] = row[name] ?? null;
      }
      const note = filled.elements.note.value.trim();
      if (!note && Object.values(values).every((value) => value === null)) {
        throw new RangeError("A reading needs at least one value, for example 50.4 V. To be rid of it, delete it.");
      }
      return { ...values, note };
    },
  },
  failures: {
    fields: (_, row) => [
      choices("severity", "Severity", SEVERITIES, { chosen: row.severity }),
      choices("effect", "Did it end the ride?", reference.data.effects, { chosen: row.effect }),
      text("conditions", "What was going on?", { value: row.conditions, rows: 3, most: 2000 }),
    ],
    read(filled) {
      const typed = Object.fromEntries(new FormData(filled));
      return { severity: Number(typed.severity), effect: typed.effect, conditions: typed.conditions.trim() };
    },
  },
  photos: {
    fields: (_, row) => [text("caption", "What it shows", { value: row.caption ?? "", most: 200 })],
    read: (filled) => ({ caption: filled.elements.caption.value.trim() }),
  },
  "voice-notes": {
    fields: (_, row) => [text("caption", "What it says", { value: row.caption ?? "", rows: 2, most: 500 })],
    read: (filled) => ({ caption: filled.elements.caption.value.trim() }),
  },
  "mark-taps": {
    fields: (_, row) => [
      choices("end", "Which mark?", [["first", "First"], ["last", "Last"]], { chosen: row.at_last_mark ? "last" : "first" }),
      ...counting(row),
    ],
    read(filled) {
      const typed = Object.fromEntries(new FormData(filled));
      return { at_last_mark: typed.end === "last", ...whetherItCounts(typed) };
    },
  },
};

export async function editScreen(app, outing, id) {
  const { list, row } = rowOf(outing, id);
  if (!row) return [el("h1", {}, "Deleted"), el("div", { class: "bottom" }, link("Logged", "logged"))];
  const picture = await read("photos", row.to_read ?? id);
  const entryForm = await form(`edit/${id}`, async (filled) => {
    const wrong = document.getElementById("edit-wrong");
    wrong.textContent = "";
    try {
      const changes = EDITED[list].read(filled, row);
      if (!changes) return;
      await edit(outing, list, id, changes);
    } catch (error) {
      wrong.textContent = error instanceof RangeError ? error.message : app.notSaved(error);
      return;
    }
    await app.forget(`edit/${id}`);
    feel();
    say("Saved on this phone.");
    app.go("logged");
  },
    picture && list === "voice-notes" && el("audio", { controls: true, src: URL.createObjectURL(new Blob([picture.bytes], { type: picture.type })) }),
    picture && list !== "voice-notes" && el("img", { src: URL.createObjectURL(new Blob([picture.bytes], { type: picture.type })), alt: "The photo" }),
    EDITED[list].fields(outing, row),
    el("p", { class: "wrong", id: "edit-wrong", role: "alert" }),
    el("div", { class: "bottom" }, link("Back", "logged"), el("button", { class: "act first" }, "Save")));
  return [el("h1", {}, `Edit: ${inWords(outing, list, row, outing[list].indexOf(row))}`), entryForm];
}
