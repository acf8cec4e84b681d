// Copies of the records that others belong to. A gate, venue, failure mode or session that somebody deleted at the
// desk can be restored from this phone; then the records that wait for it are sent.

import { ask } from "./link.js";
import { keepMeta, meta, read } from "./store.js";

const COPY_AGE_MS = 30 * 24 * 3600_000;
// The reference fields of a record, and the kind of record each refers to.
export const PARENTS = {
  gate: "gates", venue: "venues", session: "sessions", failure: "failures", mode: "failure-modes", card: "test-cards",
  revision: "revisions",
};
const NOUN = {
  gates: "gate", venues: "venue", sessions: "session", failures: "failure", "failure-modes": "failure mode",
  "test-cards": "test card", revisions: "revision",
};

// Stores copies of the records in the reference data, so that they remain after they vanish from it.
export async function rememberPlaces(reference) {
  const at = Date.now();
  const copies = Object.fromEntries(Object.entries((await meta("copies")) ?? {}).filter(([, copy]) => copy.at > at - COPY_AGE_MS));
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

// This phone's copy of a record that the server lacks: its content, or null, and its name.
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

// Which of these the server lacks: [{kind, id, removed}]; null if the server could not be asked.
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
