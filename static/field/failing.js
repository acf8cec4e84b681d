// Logs a failure in as few as two taps: mode and severity.

import { undo } from "./editing.js";
import { choices, form, text } from "./entry.js";
import { button, el, feel, link, say } from "./elements.js";
import { near, oneForm } from "./mode_names.js";
import { addFailure, describeFailure, reference } from "./outing.js";

const PLAIN = {
  1: "Someone was or could have been badly hurt, or the machine is lost",
  2: "Injury possible, or major damage",
  3: "Minor damage, or the ride was cut short",
  4: "A repair later; the ride went on",
};
const NUMERAL = { 1: "I", 2: "II", 3: "III", 4: "IV" };
const SHOWN = 8;

// Failure modes by how often this machine had them, then other machines, then by name.
export function modesInOrder(outing) {
  const vehicle = reference.data.revisions.find((revision) => revision.id === outing.session.revision)?.vehicle;
  const today = (mode) => outing.failures.filter((failure) => failure.mode === mode.id || oneForm(failure.mode_name) === oneForm(mode.name)).length;
  const score = (mode) => 1000 * ((mode.counts[vehicle] ?? 0) + today(mode)) +
    Object.values(mode.counts).reduce((sum, count) => sum + count, 0);
  return [...reference.data.modes].sort((first, other) => score(other) - score(first) || first.name.localeCompare(other.name));
}

export async function failureScreen(app, outing, chosen) {
  const modes = modesInOrder(outing);
  const mode = modes.find((listed) => listed.id === chosen);
  const key = `failure/${outing.id}`;
  if (!mode && chosen !== "other") {
    return [
      el("h1", {}, "What failed?"),
      el("nav", { class: "board", "aria-label": "Failure modes" },
        modes.slice(0, SHOWN).map((listed) => link(listed.name, `failure/${listed.id}`)),
        link("Something else", "failure/other", { class: "act last" })),
      modes.length > SHOWN && el("details", {}, el("summary", {}, `${modes.length - SHOWN} more`),
        el("div", { class: "board" }, modes.slice(SHOWN).map((listed) => link(listed.name, `failure/${listed.id}`)))),
      el("div", { class: "bottom" }, link("Board", "board")),
    ];
  }
  const save = async (entryForm, severity) => {
    const wrong = document.getElementById("failure-wrong");
    const mode_name = mode?.name ?? entryForm.elements.mode_name.value.trim();
    if (!oneForm(mode_name)) {
      wrong.textContent = "Say in a few words what failed, for example: chain came off.";
      entryForm.elements.mode_name.focus();
      return;
    }
    const known = mode ?? reference.data.modes.find((listed) => oneForm(listed.name) === oneForm(mode_name));
    let id;
    try {
      id = await addFailure(outing, {
        mode: known?.id, mode_name, severity, effect: entryForm.elements.effect.value || "none", conditions: "",
      });
    } catch (error) {
      wrong.textContent = app.notSaved(error);
      return;
    }
    feel();
    say(`${mode_name}, ${NUMERAL[severity]}. Saved on this phone.`, {
      undo: async () => { await undo(outing, "failures", id); app.go("board"); },
    });
    app.go(`failed/${id}`);
  };
  const entryForm = await form(key, () => {},
    !mode && text("mode_name", "What failed?", { most: 80 }),
    !mode && el("div", { id: "near-modes", role: "status" }),
    el("details", {}, el("summary", {}, "It ended the ride? Say how first"), choices("effect", "Did it end the ride?", reference.data.effects, { chosen: "none" })),
    el("p", { class: "wrong", id: "failure-wrong", role: "alert" }),
    el("div", { class: "severities" }, el("p", {}, "How bad was it? A tap saves it."), [1, 2, 3, 4].map((severity) =>
      button([el("strong", {}, NUMERAL[severity]), " ", PLAIN[severity]], () => void save(entryForm, severity)))),
    el("div", { class: "bottom" }, link("Back", "failure")));
  if (!mode) offerNear(entryForm, modes);
  return [el("h1", { class: mode ? null : "unseen" }, mode?.name ?? "Something else failed"), entryForm];
}

// Links to modes with a name near to the one that is typed, so that one thing keeps one name.
function offerNear(entryForm, modes) {
  const input = entryForm.elements.mode_name;
  const offered = entryForm.querySelector("#near-modes");
  input.addEventListener("input", () => {
    const names = near(input.value, modes.map((listed) => listed.name));
    const offers = names.map((name) => modes.find((listed) => listed.name === name));
    offered.replaceChildren(...offers.map((listed) => link(`The same as “${listed.name}”?`, `failure/${listed.id}`)));
  });
}

// After saving: details that can be added on the spot.
export async function failedScreen(app, outing, id) {
  const failure = outing.failures.find((entry) => entry.id === id);
  if (!failure) return [el("h1", {}, "Undone"), el("div", { class: "bottom" }, link("Board", "board"))];
  const entryForm = await form(`failed/${id}`, async (filled) => {
    try {
      await describeFailure(outing, id, filled.elements.conditions.value.trim());
    } catch (error) {
      say(app.notSaved(error), { wrong: true });
      return;
    }
    await app.forget(`failed/${id}`);
    feel();
    say("Saved on this phone.");
    app.go("board");
  },
    text("conditions", "What was going on?", { value: failure.conditions, rows: 3, most: 2000 }),
    el("div", { class: "bottom" }, link("Board", "board"), link("Photo of it", `photo/${id}`), el("button", { class: "act first" }, "Save words")));
  const crashed = failure.effect === "crash" || failure.severity === 1;
  return [el("h1", {}, failure.mode_name),
    crashed && el("p", { class: "caution" }, "First the rider. Then: kill switch off, pack disconnected if it is safe to reach. A pack that was hit can catch fire hours later; keep it outdoors."),
    entryForm];
}
