// Before the ride: which machine, where, in what conditions, and the go/no-go check.

import { isKnown, join, start } from "./beginning.js";
import { fieldNames, choices, draftOf, form, quantitiesOf, quantity, quantityField, text } from "./entry.js";
import { button, clock, counted, el, feel, link, say } from "./elements.js";
import { guidelineRows, shown, warnIn } from "./limits.js";
import { bare, capital, lengthOfTime, readQuantity, written } from "./numbers.js";
import { current, reference, write } from "./outing.js";
import { link as line } from "./signals.js";
import { askToPersist, keepMeta, meta, storageNotice } from "./store.js";
import { noteHome, stopTrack } from "./track.js";

const KEY = "start";

export async function startScreen(app) {
  const { data } = reference;
  if (!data) {
    return [el("h1", {}, "At the lake"), el("p", { class: "notice" },
      line.trouble === "reader" ? "Only those who may log take a machine along to the lake. An owner can let you, under People."
        : "This phone knows no machine yet. Open this page once with a network, signed in; after that it works without one.")];
  }
  const draft = await draftOf(KEY);
  const under_way = await current();
  const going = await Promise.all(data.going.filter(({ session }) => session.id !== under_way?.id && isFresh(session)).map(async ({ session, version, passes, by }) => {
    const revision_name = data.revisions.find((revision) => revision.id === session.revision)?.name ?? "another machine";
    const venue_name = data.venues.find((venue) => venue.id === session.venue)?.name ?? "";
    const verb = (await isKnown(session.id)) ? "Continue" : "Join";
    return button(`${verb} ${revision_name}, ${venue_name}, since ${clock(Date.parse(session.started_at))}${by ? `, begun by ${by}` : ""}`, async () => {
      await join({ session, version, passes }, { revision_name, venue_name });
      app.go("board");
    }, { class: "act wide" });
  }));
  // Those that nobody ended must not push the start off the screen.
  const older = going.splice(JOINED_AT_ONCE);
  if (older.length) going.push(el("details", {}, el("summary", {}, `${older.length} more under way`), el("div", { class: "records" }, older)));
  if (!data.revisions.length) {
    return [el("h1", {}, "At the lake"), ...going,
      el("p", { class: "notice" }, "There is no revision to ride. Describe the machine and its first revision at the desk first.")];
  }
  const revisions = data.revisions.slice(0, 12).map((revision) => [revision.id, revision.name]);
  const venues = data.venues.map((venue) => [venue.id, venue.name]);
  const entryForm = await form(KEY, (filled) => next(app, filled),
    choices("revision", "Machine", revisions, { chosen: draft.revision ?? data.likely.revision ?? revisions[0][0], wide: true }),
    choices("venue", "Venue", [...venues, ["", "A new one"]], { chosen: draft.venue ?? data.likely.venue ?? venues[0]?.[0] ?? "", wide: true }),
    el("div", { class: "new-venue" }, text("venue_name", "Name of the new venue", { most: 120 })),
    el("details", {}, el("summary", {}, "Conditions, if known now"),
      choices("surface", "Surface", [["", "Not recorded"], ...data.surfaces], { chosen: "" }),
      fieldNames("sessions", "start").map((name) => quantity(quantityField("sessions", name), {
        value: name === "rider_mass_kg" ? data.likely.rider_mass_kg : null,
        last: name === "rest_voltage_start_v" ? "Measured before anything draws current; it cannot be measured later." : "",
      }))),
    el("p", { class: "wrong", id: "start-wrong", role: "alert" }),
    el("div", { class: "bottom" }, el("button", { class: "act first" }, "Go/no-go check")));
  warnIn(entryForm, [REST], () => limitsOf(entryForm.elements.revision.value), readRest, data.units);
  const last = await lastTime();
  if (last) entryForm.querySelector("details").before(...[conditionsAsLastTime(entryForm, last)].filter(Boolean));
  return [el("h1", {}, "Start a session"), underWay(under_way), ...going, await storageNotice(true), entryForm];
}

// A session that began longer ago is not joined by chance; at the desk it can still be opened.
const FRESH_MS = 12 * 3600_000;
const isFresh = (session) => Math.abs(Date.now() + (line.offset_ms ?? 0) - Date.parse(session.started_at)) < FRESH_MS;

const JOINED_AT_ONCE = 2;

const isOn = (outing) => Boolean(outing) && outing.ended_ms === null;

function underWay(outing) {
  if (!isOn(outing)) return null;
  return el("section", { class: "notice", id: "under-way" },
    el("p", {}, `A session is under way: ${outing.revision_name}, ${outing.venue_name}, since ${clock(outing.started_ms)}. ` +
      (outing.joined ? "Starting another leaves it; it goes on on the other phones." : "Starting another ends it.")),
    link("Back to it", "board", { class: "act wide" }));
}

// Ice that was measured longer ago, or elsewhere, is measured again, and so is the weather.
const ICE_AGE_MS = 12 * 3600_000;
const LASTING = ["surface", "rider_mass_kg", "payload_kg"];

// How it was last time: on this phone, or else by the last session the server knows.
async function lastTime() {
  const own = await meta("last_time");
  const known = reference.data.last_time;
  const theirs = known && { ...known, at_ms: Date.parse(known.at) };
  const last = own && theirs ? (own.at_ms >= theirs.at_ms ? own : theirs) : own ?? theirs ?? null;
  return last && { ...last, ...conditionsOf([own, theirs].filter(Boolean)) };
}

// Each condition as it was known last: a session in which it was left out does not make it forgotten.
function conditionsOf(times) {
  const [conditions, conditions_at] = [{}, {}];
  for (const last of times) {
    for (const [name, value] of Object.entries(last.conditions)) {
      const at_ms = Number(new Date(last.conditions_at?.[name] ?? last.at_ms));
      if ([null, undefined, ""].includes(value) || conditions_at[name] > at_ms) continue;
      [conditions[name], conditions_at[name]] = [value, at_ms];
    }
  }
  return { conditions, conditions_at };
}

function enter(entryForm, name, text) {
  const field = entryForm.elements[name];
  if (!field) return;
  if (field instanceof RadioNodeList) for (const option of field) option.checked = option.value === text;
  else field.value = text;
}

function conditionsAsLastTime(entryForm, last) {
  const { units, surfaces } = reference.data;
  const is_known = (name) => name !== REST && typeof last.conditions[name] === "number" && (LASTING.includes(name) || Math.abs(Date.now() - last.conditions_at[name]) < ICE_AGE_MS);
  const names = fieldNames("sessions", "start").filter(is_known);
  const surface = surfaces.find(([value]) => value === last.conditions.surface);
  const words = [surface?.[1], ...names.map((name) => `${quantityField("sessions", name).label} ${written(last.conditions[name], quantityField("sessions", name).kind, units)}`)].filter(Boolean);
  if (!words.length) return null;
  return button(`Conditions as last time: ${words.join(", ")}`, () => {
    if (surface) enter(entryForm, "surface", surface[0]);
    for (const name of names) enter(entryForm, name, bare(last.conditions[name], quantityField("sessions", name).kind, units));
    entryForm.querySelector("details").open = true;
    entryForm.dispatchEvent(new Event("input"));
    feel();
  }, { class: "act wide", id: "conditions-as-last-time" });
}

// What was answered with no last time, and what is still open on this machine, is asked each time.
function checkAsLastTime(entryForm, last, own) {
  const answers = [
    ...Object.entries(last.answers ?? {}),
    ...(last.machine_points ?? []).filter(({ point }) => own.some((asked) => asked.point === point && (!asked.title || asked.accepted)))
      .map((point) => [nameOf(point), point.answer]),
  ].filter(([name, answer]) => answer && answer !== "no" && entryForm.elements[name]);
  if (!answers.length) return null;
  return button(`As last time: ${counted(answers.length, "answer")}. I have looked at each of them now.`, () => {
    for (const [name, answer] of answers) enter(entryForm, name, answer);
    entryForm.dispatchEvent(new Event("input"));
    feel();
  }, { class: "act wide", id: "check-as-last-time" });
}

function iceAsLastTime(entryForm, last, venue) {
  const age_ms = Date.now() - last.at_ms;
  if (typeof last.ice_thickness_cm !== "number" || last.venue !== venue || !(age_ms >= 0 && age_ms < ICE_AGE_MS)) return null;
  const { units } = reference.data;
  return button(`As ${lengthOfTime(60 * Math.max(1, Math.round(age_ms / 60_000)))} ago here: ${written(last.ice_thickness_cm, "thickness", units, 0, 3)}`, () => {
    const input = entryForm.elements.ice_thickness_cm;
    input.value = bare(last.ice_thickness_cm, "thickness", units);
    for (const kind of ["input", "change"]) input.dispatchEvent(new Event(kind, { bubbles: true }));
    feel();
  }, { id: "ice-as-last-time" });
}

const REST = "rest_voltage_start_v";

function limitsOf(revision) {
  return reference.data.revisions.find((listed) => listed.id === revision)?.limits;
}

function readRest(name, typed) {
  return readQuantity(typed ?? "", quantityField("sessions", name), reference.data.units);
}

function chosenRevision(chosen) {
  const { data } = reference;
  return chosen.revision || data.likely.revision || data.revisions[0]?.id;
}

// What was typed on the screen before, as a value; a slip there is marked there.
function typedRest(chosen) {
  try {
    return readRest(REST, chosen[REST]);
  } catch {
    return null;
  }
}

// The points of one machine, which the check asks beside those of every outing.
function pointsOf(revision) {
  return reference.data.revisions.find((listed) => listed.id === revision)?.points ?? [];
}

function nameOf({ point }) {
  return `point-${point.replace(/[^a-z0-9]+/gi, "-")}`;
}

function pointChoices(point) {
  return [point.sentence && !point.accepted && shown([[point.title, point.sentence]]),
    choices(nameOf(point), capital(point.label), [["yes", "Yes"], ["no", "No"], ["not_applicable", "Not here"]]),
    point.accepted && el("p", { class: "small" }, `Accepted by ${point.accepted}`)];
}

function next(app, filled) {
  const wrong = document.getElementById("start-wrong");
  wrong.textContent = "";
  const values = Object.fromEntries(new FormData(filled));
  if (!values.venue && !values.venue_name.trim()) {
    wrong.textContent = "Choose a venue, or write the name of the new one, for example: North bay.";
    filled.elements.venue_name.focus();
    return;
  }
  if (!quantitiesOf(filled, fieldNames("sessions", "start").map((name) => quantityField("sessions", name)))) {
    filled.querySelector("details").open = true;
    return;
  }
  filled.dispatchEvent(new Event("input"));
  app.go("check");
}

export async function checkScreen(app) {
  const { data } = reference;
  const thickness = quantityField("sessions", "ice_thickness_cm");
  const rows = el("div", { id: "guidelines" });
  const chosen = await draftOf(KEY);
  const revision = chosenRevision(chosen);
  const own = pointsOf(revision);
  const open = own.filter((point) => point.title && !point.accepted);
  const entryForm = await form("check", (filled) => go(app, filled),
    quantity(quantityField("sessions", REST), { value: typedRest(chosen), last: "Measure it now, before anything draws current." }),
    open.length > 0 && el("p", { id: "still-open" },
      el("strong", {}, `Not released: ${counted(open.length, "point is", "points are")} open.`), " Mend them, or settle them under Release at the desk."),
    own.map(pointChoices),
    data.check_items.map(([name, label]) => [
      choices(name, capital(label), [["yes", "Yes"], ["no", "No"], ["not_applicable", "Not here"]]),
      name === "ice_measured" && [el("p", { class: "caution" }, data.ice.cautions.join(" ")), quantity(thickness, { last: "Thinnest measured where you ride." }), rows],
    ]),
    text("reason", "Something is missing: why do you go on all the same?", { rows: 2, most: 1000 }),
    el("p", { class: "wrong", id: "check-wrong", role: "alert" }),
    el("div", { class: "bottom" }, link("Back", "start"), el("button", { class: "act first" }, "Start")));
  const compare = async () => {
    const values = quantitiesOf(entryForm, [thickness]);
    const { surface } = await draftOf(KEY);
    rows.replaceChildren(...guidelines(values?.ice_thickness_cm ?? null, surface === "white_ice").flat().filter(Boolean));
  };
  warnIn(entryForm, [REST], () => limitsOf(revision), readRest, data.units);
  const last = await lastTime();
  if (last) {
    const venue = chosen.venue ?? data.likely.venue;
    entryForm.querySelector("fieldset").before(...[checkAsLastTime(entryForm, last, own)].filter(Boolean));
    rows.before(...[iceAsLastTime(entryForm, last, venue)].filter(Boolean));
  }
  entryForm.elements.ice_thickness_cm.addEventListener("change", () => void compare());
  queueMicrotask(() => void compare());
  return [el("h1", {}, "Go/no-go check"), entryForm];
}

// Published thicknesses beside the measured one: a comparison, never a permission. What is a slip reaches none.
function guidelines(thickness_cm, white_ice) {
  if (thickness_cm === null) return [];
  const { units, ice } = reference.data;
  if (thickness_cm > ice.most_cm) return [el("p", { class: "wrong" }, ice.beyond.replace("{value}", written(thickness_cm, "thickness", units, 0, 3)))];
  const row = (guideline) => el("li", {}, `${written(guideline.thickness_cm, "thickness", units, 0, 3)} for ${guideline.use} (${guideline.source})`);
  const rows = guidelineRows({ thickness_cm, white_ice, guidelines: ice.guidelines });
  const reached = rows.filter((guideline) => guideline.reached);
  const short = rows.filter((guideline) => !guideline.reached);
  const rule = white_ice ? "for white ice twice the thickness (Minnesota DNR's rule)" : "for clear ice";
  return [
    short.length > 0 && [el("p", {}, el("strong", {}, `Thinner than published, ${rule}:`)), el("ul", {}, short.map(row))],
    reached.length > 0 && el("details", {}, el("summary", {}, `${reached.length} published thicknesses are reached, ${rule}`), el("ul", {}, reached.map(row))),
    el("p", {}, "A thickness reached is not a permission. Local rules and the local ice authority decide."),
  ];
}

async function go(app, filled) {
  const { data } = reference;
  const wrong = document.getElementById("check-wrong");
  wrong.textContent = "";
  const chosen = await draftOf(KEY);
  const revision = chosenRevision(chosen);
  const own = pointsOf(revision).map((point) => ({ ...point, answer: filled.elements[nameOf(point)]?.value ?? "" }));
  const answers = Object.fromEntries(data.check_items.map(([name]) => [name, filled.elements[name].value]));
  const asked = [...own.map(({ label, answer }) => [label, answer]), ...data.check_items.map(([name, label]) => [label, answers[name]])];
  const open = asked.filter(([, answer]) => !answer);
  if (open.length) {
    wrong.textContent = `Not answered yet: ${open.map(([label]) => label).join(", ")}.`;
    feel("wrong");
    return;
  }
  const reason = filled.elements.reason.value.trim();
  const missing = asked.filter(([, answer]) => answer === "no");
  if (missing.length && !reason) {
    wrong.textContent = `Answered with no: ${missing.map(([label]) => label).join(", ")}. Write why you go on all the same, for example: walking-pace trial beside the shore.`;
    filled.elements.reason.focus();
    feel("wrong");
    return;
  }
  const measured = quantitiesOf(filled, [quantityField("sessions", "ice_thickness_cm"), quantityField("sessions", REST)]);
  if (!measured) return;
  const before = app.readTyped({ ...chosen, [REST]: "" }, fieldNames("sessions", "start"), "sessions");
  const conditions = { surface: chosen.surface ?? "", ...before, ...measured };
  const venue = chosen.venue ?? "";
  // Firefox asks the person, who may leave the question open: the session begins all the same.
  void askToPersist();
  try {
    const before = await current();
    if (isOn(before)) {
      await stopTrack("", app);
      if (!before.joined) await write(await current(), {}, { ends: true });
    }
    await start({
      revision, revision_name: data.revisions.find((listed) => listed.id === revision)?.name ?? "", venue,
      venue_name: venue ? data.venues.find((listed) => listed.id === venue)?.name : chosen.venue_name.trim(), conditions,
    }, { answers, reason, machine_points: own.map(({ point, label, answer }) => ({ point, label, answer })) });
  } catch (error) {
    wrong.textContent = app.notSaved(error);
    return;
  }
  const at_ms = Date.now();
  const earlier = await meta("last_time");
  await keepMeta("last_time", {
    at_ms, venue, ...conditionsOf([...(earlier ? [earlier] : []), { at_ms, conditions }]), ice_thickness_cm: measured.ice_thickness_cm, answers,
    machine_points: own.map(({ point, answer }) => ({ point, answer })),
  });
  await app.forget("check");
  void noteHome(app);
  feel();
  say("Session started. Saved on this phone.");
  app.go("board");
}
