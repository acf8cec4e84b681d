// The records between this phone and the server. A record leaves the queue only after the server's own
// confirmation; until then it survives closed tabs, dead batteries, lost replies and lost sign-ins.

import { freeRoom, leaveLost, lostWords, queueAgain, queueRemoval, tombstone } from "./confirmed.js";
import { pick } from "./merge.js";
import { copyOf, missingOf } from "./places.js";
import { wake } from "./signals.js";
import { PhoneIsFull, all, change, resultOf, meta } from "./store.js";

export { link, onChange } from "./signals.js";

// Without the drafts: typing must not wait for sending.
const ALL = ["records", "photos", "outings", "acknowledged", "meta"];

export function byAge(records) {
  return records.sort((first, other) => first.seq - other.seq);
}

// Stores records, pictures and the session's page in one transaction, then tries to send.
// `records` are {id, kind, payload, words, session, needs, stamps}, for a change with the names of what `changed` and
// the values it `began` from; `outing` is [id, function that changes the page].
export async function keep(records, { photos = [], outing = null, draft = "" } = {}) {
  const account = await meta("account");
  const work = async (stores) => {
    let seq = (await resultOf(stores.meta.get("seq")))?.value ?? 0;
    for (const record of records) {
      const earlier = await resultOf(stores.records.get(record.id));
      const known = record.anew ? null : await resultOf(stores.acknowledged.get(record.id));
      if (record.anew) stores.acknowledged.delete(record.id);
      const bytes = photos.find((photo) => photo.id === record.id)?.bytes.byteLength ?? earlier?.bytes;
      stores.records.put({
        ...queued(record, earlier, known), bytes, seq: earlier?.seq ?? (seq += 1), account: earlier?.account ?? account?.id ?? "",
      });
    }
    stores.meta.put({ key: "seq", value: seq });
    for (const photo of photos) stores.photos.put(photo);
    if (draft) stores.drafts.delete(draft);
    if (!outing) return null;
    const [id, alter] = outing;
    const page = (await resultOf(stores.outings.get(id))) ?? { id };
    alter(page);
    stores.outings.put(page);
    return page;
  };
  const changed = await withRoom(() => change(draft ? [...ALL, "drafts"] : ALL, work));
  wake();
  return changed;
}

// If the storage is full, drops pictures of confirmed photos and tries again.
export async function withRoom(work) {
  try {
    return await work();
  } catch (error) {
    if (!(error instanceof PhoneIsFull) || !(await freeRoom())) throw error;
    return work();
  }
}

// The queued form of a record: whole if new, otherwise with the changed fields and the version they began from.
// A record that is made `anew` was deleted on the server.
function queued({ anew = false, ...record }, earlier, known) {
  const base = anew ? "" : earlier?.base || known?.version || record.base || "";
  const began = anew ? null : earlier?.began ?? known?.stored ?? record.began ?? null;
  const isChange = Boolean(base && record.changed && (!earlier || earlier.changed));
  const whole = { ...record.payload, ...(began ?? {}), ...(earlier?.payload ?? {}) };
  const stamps = { ...record.stamps };
  for (const [name, before] of Object.entries(earlier?.stamps ?? {})) {
    // A stamp that was sent once must not change.
    if (stamps[name]?.wall_ms === before.wall_ms) stamps[name] = before;
  }
  return {
    needs: [], action: "put", ...record, stamps, base, began,
    payload: anew ? whole : record.changed ? { ...whole, ...pick(record.payload, record.changed) } : record.payload,
    changed: isChange ? [...new Set([...(earlier?.changed ?? []), ...record.changed])] : null,
    fresh: !known && !base,
    sent: earlier?.sent ?? null,
    state: "waiting", trouble: null, failures: 0, retry_at: 0,
    tries: earlier?.tries ?? 0,
    change: (earlier?.change ?? 0) + 1,
  };
}

// Undoes a record: removes it from the queue if it was never sent, otherwise deletes it on the server too.
// `after` are removals that go first. A tombstone stays: a late answer or a file that is imported later must not bring
// the record back.
export async function takeBack(id, outing, after = []) {
  await change(ALL, async (stores) => {
    const waiting = await resultOf(stores.records.get(id));
    const known = await resultOf(stores.acknowledged.get(id));
    const gone = waiting ?? known;
    if (gone) {
      stores.acknowledged.put(tombstone({ account: (await resultOf(stores.meta.get("account")))?.value?.id ?? "", ...gone }));
      stores.photos.delete(id);
    }
    if (waiting && !waiting.tries && !known?.version) stores.records.delete(id);
    else if (gone) await queueRemoval(stores, gone, known?.version ?? "", after);
    if (outing) {
      const page = await resultOf(stores.outings.get(outing[0]));
      if (page) {
        outing[1](page);
        stores.outings.put(page);
      }
    }
  });
  wake();
}

// Sends a record again after a person corrected it. If `alter` returns false, the record leaves the queue.
export async function mend(id, alter = () => {}) {
  await change(ALL, async (stores) => {
    const record = await resultOf(stores.records.get(id));
    if (!record) return;
    const stays = await alter(record, stores);
    if (stays === false) {
      stores.records.delete(id);
      // The picture of a confirmed photo stays as long as the confirmation does.
      if (!(await resultOf(stores.acknowledged.getKey(id)))) stores.photos.delete(id);
    } else {
      stores.records.put({ ...record, state: "waiting", trouble: null, failures: 0, retry_at: 0, change: record.change + 1 });
    }
  });
  wake();
}

// Keeps a record on this phone without sending it.
export async function keepHere(id) {
  await change(["records"], async ({ records }) => {
    const record = await resultOf(records.get(id));
    if (record) records.put({ ...record, state: "kept", change: record.change + 1 });
  });
  wake();
}

// Resolves a conflict: `mine` are the names of the fields that keep this phone's value.
export async function settle(id, mine) {
  await mend(id, async (record, stores) => {
    const { stored, version, mine: unopposed = [], overlap = [] } = record.trouble;
    const written = [...unopposed, ...mine];
    const yielded = overlap.filter((name) => !mine.includes(name));
    for (const name of yielded) {
      record.payload[name] = stored[name];
      delete record.stamps[name];
    }
    await followIn(stores, record, pick(stored, yielded));
    if (!written.length) {
      const { kind, session, words, account, needs } = record;
      stores.acknowledged.put({
        id, kind, session, words, account, needs, seq: record.seq, version, versions: [version], stored, payload: record.payload, at: Date.now(),
      });
      return false;
    }
    Object.assign(record, { base: version, fresh: false, began: stored, changed: written });
    return true;
  });
}

// Updates the session's page with the values stored on the server.
export async function followIn(stores, record, values, stamps = {}) {
  const outing = record.kind === "sessions" && (await resultOf(stores.outings.get(record.id)));
  if (outing) stores.outings.put({ ...outing, session: { ...outing.session, ...values }, stamps: { ...outing.stamps, ...stamps } });
}

// Restores a record that was deleted on the server, with the change made here.
export async function putBackChanged(id) {
  await mend(id, (record, stores) => {
    stores.acknowledged.delete(id);
    Object.assign(record, { base: "", fresh: true, began: null, changed: null });
  });
}

// Restores a missing parent and its own parents from this phone's copies, then sends the records that wait for it.
// Returns a sentence about what could not be restored, or "".
export async function putBack(parent) {
  const back = [];
  const look = async (record, depth) => {
    const copy = await copyOf(record);
    if (!copy.payload) return `This phone has no copy of the ${copy.noun}${copy.name ? ` ${copy.name}` : ""}. Make it again at the desk.`;
    if (depth < 3) {
      for (const above of (await missingOf(copy.needs)) ?? []) {
        const wrong = await look(above, depth + 1);
        if (wrong) return wrong;
      }
    }
    back.push({ ...record, copy });
    return "";
  };
  const wrong = await look(parent, 0);
  if (wrong) return wrong;
  await keep(back.map(({ id, kind, copy }) => ({
    id, kind, anew: true, session: kind === "sessions" ? id : "", payload: copy.payload, needs: copy.needs.map((above) => above.id),
    words: `${copy.noun[0].toUpperCase()}${copy.noun.slice(1)}: ${copy.name}`,
  })));
  const ids = new Set(back.map(({ id }) => id));
  await change(["records"], async ({ records }) => {
    for (const record of await resultOf(records.getAll())) {
      if (record.state !== "missing" || !ids.has(record.trouble.parent.id)) continue;
      const needs = [...new Set([...record.needs, record.trouble.parent.id])];
      records.put({ ...record, needs, state: "waiting", trouble: null, change: record.change + 1 });
    }
  });
  wake();
  return "";
}

// Sends lost records again, or accepts that they are lost.
export async function sendAgain(ids, earlier = {}) {
  const done = await queueAgain(ids, earlier);
  wake();
  return done;
}

export async function leaveAsItIs(lost) {
  await leaveLost(lost);
  wake();
}

export async function lostNow() {
  const lost = (await meta("lost")) ?? null;
  return { lost, words: lostWords(lost) };
}

export async function counts(session = null) {
  const lost = new Set((await meta("lost"))?.missing ?? []);
  const of_session = (record) => !session || record.session === session;
  const waiting = (await all("records")).filter(of_session);
  const confirmed = (await all("acknowledged")).filter((record) => !record.removed && !lost.has(record.id) && of_session(record));
  return {
    here: waiting.length,
    confirmed: confirmed.length,
    refused: waiting.filter((record) => !["waiting", "kept"].includes(record.state)).length,
  };
}
