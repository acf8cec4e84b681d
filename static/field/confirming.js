// Notes on this phone what the server has just confirmed.

import { confirmation, isTombstone, noteNewest, queueRemoval, tombstone } from "./confirmed.js";
import { noteDoubts } from "./doubting.js";
import { pick } from "./merge.js";
import { followIn, withRoom } from "./queue.js";
import { PhoneIsFull, change, resultOf } from "./store.js";

const NOT_FOLLOWED = ["started_at", "ended_at", "clock_correction_s", "revision", "venue"];

// Notes confirmed records in one transaction.
export async function confirmedTogether(answers) {
  if (!answers.length) return;
  const note = (whole) => change(["records", "photos", "outings", "acknowledged", "meta"], async (stores) => {
    for (const answer of answers) await noteConfirmed(stores, answer, whole);
  });
  try {
    await withRoom(() => note(true));
  } catch (error) {
    // Without room for the copy, at least note that the record is on the server.
    if (!(error instanceof PhoneIsFull)) throw error;
    await note(false);
  }
}

async function noteConfirmed(stores, { record, body, payload, stamps, doubts }, whole) {
  const now = await resultOf(stores.records.get(record.id));
  const known = await resultOf(stores.acknowledged.get(record.id));
  // The version comes from the body, because proxies may change or drop the ETag header.
  const copy = record.action === "remove" ? null : confirmation(record, body, payload, isTombstone(known) ? null : known);
  // The answer came after the record was deleted here, and the request of the deletion is not queued.
  if (!now && isTombstone(known) && copy) {
    await queueRemoval(stores, known, copy.version);
    return;
  }
  if (now && now.change === record.change) stores.records.delete(record.id);
  // Changed again during sending: the next change begins from the version stored now.
  else if (now) stores.records.put({ ...now, base: copy?.version ?? "", began: copy?.stored ?? null, fresh: !copy });
  if (copy && now?.action === "remove" && record.action !== "remove") stores.acknowledged.put({ ...tombstone(record), version: copy.version });
  else if (copy) {
    stores.acknowledged.put(whole ? copy : { ...copy, payload: undefined, stored: undefined });
    noteNewest(stores, copy);
  } else {
    stores.acknowledged.put(tombstone(record, body.removed === true));
    stores.photos.delete(record.id);
    if ((await resultOf(stores.meta.get("newest")))?.value?.id === record.id) stores.meta.delete("newest");
  }
  const { id: _, version = "", ...stored } = body;
  if (!now || now.change === record.change) await noteDoubts(stores, record, doubts, stored, version);
  const shown = Object.keys(body).filter((name) => !["id", "version", ...NOT_FOLLOWED].includes(name) && !now?.changed?.includes(name));
  const newer = now && now.change !== record.change && !now.changed;
  await followIn(stores, record, newer ? {} : pick(body, shown), stamps);
}
