// Notes on this phone what the server has just confirmed.

import { confirmation, isTombstone, noteNewest, queueRemoval, tombstone } from "./confirmed.js";
import { noteDoubts } from "./doubting.js";
import { pick } from "./merge.js";
import { followIn, withRoom } from "./queue.js";
import { PhoneIsFull, change, resultOf } from "./store.js";

const NOT_FOLLOWED = ["started_at", "ended_at", "clock_correction_s", "revision", "venue"];

// Notes confirmed records in one transaction. What that needs is read at once, and each session's page once: one read
// after another takes longer than all the rest.
export async function confirmedTogether(answers) {
  if (!answers.length) return;
  const note = (whole) => change(["records", "photos", "outings", "acknowledged", "meta"], async (stores) => {
    const [waiting, noted] = await Promise.all([stores.records, stores.acknowledged].map((store) =>
      Promise.all(answers.map(({ record }) => resultOf(store.get(record.id))))));
    const as_sent = [];
    let newest = null;
    for (const [index, answer] of answers.entries()) {
      const now = waiting[index];
      const copy = await noteConfirmed(stores, answer, now, noted[index], whole);
      newest = copy ?? newest;
      if (copy !== undefined && (!now || now.change === answer.record.change)) as_sent.push(answer);
    }
    if (newest) noteNewest(stores, newest);
    await noteDoubts(stores, as_sent);
  });
  try {
    await withRoom(() => note(true));
  } catch (error) {
    // Without room for the copy, at least note that the record is on the server.
    if (!(error instanceof PhoneIsFull)) throw error;
    await note(false);
  }
}

// Returns the copy that is kept of it, null without one, and nothing where it was deleted here meanwhile.
async function noteConfirmed(stores, { record, body, payload, stamps }, now, known, whole) {
  // The version comes from the body, because proxies may change or drop the ETag header.
  const copy = record.action === "remove" ? null : confirmation(record, body, payload, isTombstone(known) ? null : known);
  // The answer came after the record was deleted here, and the request of the deletion is not queued.
  if (!now && isTombstone(known) && copy) {
    await queueRemoval(stores, known, copy.version);
    return undefined;
  }
  if (now && now.change === record.change) stores.records.delete(record.id);
  // Changed again during sending: the next change begins from the version stored now.
  else if (now) stores.records.put({ ...now, base: copy?.version ?? "", began: copy?.stored ?? null, fresh: !copy });
  const is_going = copy && now?.action === "remove" && record.action !== "remove";
  if (is_going) stores.acknowledged.put({ ...tombstone(record), version: copy.version });
  else if (copy) stores.acknowledged.put(whole ? copy : { ...copy, payload: undefined, stored: undefined });
  else {
    stores.acknowledged.put(tombstone(record, body.removed === true));
    stores.photos.delete(record.id);
    if ((await resultOf(stores.meta.get("newest")))?.value?.id === record.id) stores.meta.delete("newest");
  }
  const shown = Object.keys(body).filter((name) => !["id", "version", ...NOT_FOLLOWED].includes(name) && !now?.changed?.includes(name));
  const newer = now && now.change !== record.change && !now.changed;
  await followIn(stores, record, newer ? {} : pick(body, shown), stamps);
  return is_going ? null : copy;
}
