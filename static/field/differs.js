// A record that was changed here and elsewhere: shows both values of each conflict; a person chooses.

import { button, clock, el, feel, say } from "./elements.js";
import { choices } from "./entry.js";
import { capital, written } from "./numbers.js";
import { reference } from "./outing.js";
import { mend, putBackChanged, settle } from "./queue.js";

const LABELS = {
  ended_at: "End", started_at: "Start", start: "From rest", distance_method: "How the distance is known", valid: "Counts", invalid_reason: "Why it does not count",
};

function fieldOf(kind, name) {
  return reference.data?.fields[kind]?.find((field) => field.name === name);
}

export function labelOf(kind, name) {
  return capital(LABELS[name] ?? fieldOf(kind, name)?.label ?? name.replaceAll("_", " "));
}

// A stored value as a person reads it.
export function valueInWords(kind, name, value) {
  if (value === null || value === undefined || value === "") return "empty";
  const field = fieldOf(kind, name);
  if (field && typeof value === "number") return written(value, field.kind, reference.data.units);
  if (typeof value === "string" && /^\d{4}-\d\d-\d\dT/.test(value)) return clock(Date.parse(value));
  if (typeof value === "boolean") return value ? "yes" : "no";
  return typeof value === "object" ? JSON.stringify(value) : String(value);
}

// Two values of one field, each a large button; nothing is chosen beforehand.
export function versus(kind, name, { stored, mine, storedLabel = "On the server", chosen = "" }) {
  return choices(`choose-${name}`, labelOf(kind, name), [
    ["stored", `${storedLabel}: ${valueInWords(kind, name, stored)}`], ["mine", `Yours: ${valueInWords(kind, name, mine)}`],
  ], { wide: true, chosen });
}

export function difference(app, record) {
  const { stored, sent, overlap, mine = [], sentence } = record.trouble;
  const names = overlap ?? Object.keys({ ...sent, ...stored }).filter((name) => name !== "id" && JSON.stringify(sent?.[name]) !== JSON.stringify(stored?.[name]));
  const choose = (wanted) => void (async () => {
    await settle(record.id, wanted);
    feel();
    say(wanted.length ? "Your choice is sent." : "The server's stays.");
    await app.render();
  })();
  const choiceForm = el("form", { class: "entry", novalidate: true, onsubmit: (event) => {
    event.preventDefault();
    const chosen = Object.fromEntries(new FormData(choiceForm));
    const open = names.filter((name) => !chosen[`choose-${record.id}-${name}`]);
    choiceForm.querySelector(".wrong").textContent = open.length ? `Not chosen yet: ${open.map((name) => labelOf(record.kind, name)).join(", ")}.` : "";
    if (!open.length) choose(names.filter((name) => chosen[`choose-${record.id}-${name}`] === "mine"));
  } },
    names.map((name) => {
      const shown = versus(record.kind, name, { stored: stored[name], mine: sent?.[name] });
      for (const input of shown.querySelectorAll("input")) input.name = `choose-${record.id}-${name}`;
      return shown;
    }),
    el("p", { class: "wrong", role: "alert" }),
    el("button", { class: "act first" }, "Send what is chosen"));
  return el("div", { class: "differs" },
    el("p", { class: "wrong" }, sentence),
    mine.length > 0 && el("p", {}, `Only you changed ${mine.map((name) => labelOf(record.kind, name).toLowerCase()).join(", ")}; that is saved either way.`),
    names.length > 1 ? choiceForm : names.map((name) => el("p", {}, el("strong", {}, labelOf(record.kind, name)), el("br"),
      `On the server: ${valueInWords(record.kind, name, stored[name])}`, el("br"), `Yours: ${valueInWords(record.kind, name, sent?.[name])}`)),
    el("div", { class: "row" }, button(names.length > 1 ? "Keep all mine" : "Keep mine", () => choose(names)),
      button("Keep the server's", () => choose([]))));
}

// A record that was changed here and deleted on the server.
export function gone(app, record) {
  const act = (work, words) => button(words, () => void (async () => {
    await work();
    feel();
    await app.render();
  })(), { class: words === "Restore it" ? "act first" : "act" });
  return el("div", { class: "differs" },
    el("p", { class: "wrong" }, "It was changed here, and it is not on the server any more: somebody deleted it, or an older backup was restored."),
    el("div", { class: "row" },
      act(() => putBackChanged(record.id), "Restore it"),
      act(() => mend(record.id, (removed, stores) => { stores.acknowledged.delete(removed.id); return false; }), "Leave it deleted")));
}
