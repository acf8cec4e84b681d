// Copies of what records belong to: a gate, venue, failure mode or session that somebody removed at the desk can be
// put back from this phone, and what waits for it then goes.

import { ask } from "./link.js";
import { keepMeta, meta, read } from "./store.js";

const KEPT_MS = 30 * 24 * 3600_000;
// Under which name a record says what it belongs to, and what kind of record that is.
export const PARENTS = {
  gate: "gates", venue: "venues", session: "sessions", failure: "failures", mode: "failure-modes", card: "test-cards",
  revision: "revisions",
};
const NOUN = {
  gates: "gate", venues: "venue", sessions: "session", failures: "failure", "failure-modes": "failure mode",
  "test-cards": "test card", revisions: "revision",
};

// Copies of the places and words that came with the reference, kept after they vanish from it.
export async function rememberPlaces(reference) {
  const at = Date.now();
  const copies = Object.fromEntries(Object.entries((await meta("copies")) ?? {}).filter(([, copy]) => copy.at > at - KEPT_MS));
  const keep = (kind, { id, name, record }) => {
    const { id: _, ...payload } = record ?? { name };
    copies[`${kind}/${id}`] = { payload, name, at };
  };
  for (const venue of reference.venues) {
    if (!venue.record) continue;
    keep("venues", venue);
    venue.gates.forEach((gate) => keep("gates", gate));
  }
  reference.modes.forEach((mode) => keep("failure-modes", mode));
  reference.revisions.forEach((revision) => { copies[`revisions/${revision.id}`] = { name: revision.name, at }; });
  reference.cards.forEach((card) => { copies[`test-cards/${card.id}`] = { name: card.title, at }; });
  await keepMeta("copies", copies);
}

// This phone's copy of a record that is missing on the server: its content, or null, and its name in words.
export async function copyOf({ kind, id }) {
  const known = await read("acknowledged", id);
  const copy = ((await meta("copies")) ?? {})[`${kind}/${id}`];
  const payload = known?.payload ?? copy?.payload ?? (kind === "sessions" ? await sessionOf(id) : null);
  const words = known?.words?.replace(/^(Gate|Venue|Failure|Session): /, "") ?? copy?.name ?? "";
  return { payload, noun: NOUN[kind] ?? "record", name: kind === "sessions" ? await sessionName(id) : words, needs: parentsIn(payload) };
}

async function sessionOf(id) {
  const outing = await read("outings", id);
  if (!outing) return null;
  const started_at = outing.started_at ?? new Date(outing.started_ms).toISOString();
  return { ...outing.session, started_at };
}

async function sessionName(id) {
  const outing = await read("outings", id);
  if (!outing) return "";
  const day = new Date(outing.started_ms).toLocaleString([], { dateStyle: "medium", timeStyle: "short", hourCycle: "h23" });
  return `${outing.revision_name}, ${outing.venue_name}, ${day}`;
}

export function parentsIn(payload) {
  return Object.entries(PARENTS).filter(([name]) => payload?.[name]).map(([name, kind]) => ({ kind, id: payload[name] }));
}

// Which of these the server does not have: [{kind, id, removed}]; null where it could not be asked.
export async function missingOf(wanted) {
  const keys = {};
  for (const { kind, id } of wanted) (keys[kind] ??= []).push(id);
  const answer = await ask("field/still-there/", {
    method: "POST", body: JSON.stringify(keys), headers: { "Content-Type": "application/json" },
  });
  if (answer.kind !== "json" || answer.status !== 200) return null;
  const { missing, removed } = answer.body;
  return wanted.filter(({ id }) => missing.includes(id)).map((parent) => ({ ...parent, removed: removed.includes(parent.id) }));
}
