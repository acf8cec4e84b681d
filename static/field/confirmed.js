// Records that the server has confirmed. They stay on this phone for 30 days, because an older backup may be put
// back on the server and this phone may then be the only one that has them.

import { ask } from "./link.js";
import { all, change, resultOf, meta } from "./store.js";

const COPY_AGE_MS = 30 * 24 * 3600_000;
// Confirmed pictures may use this much storage, and at most this share of the browser's quota.
const MOST_PICTURE_BYTES = 300_000_000;
const MOST_PICTURE_SHARE = 0.2;
const BATCH_SIZE = 400;
const MOST_VERSIONS = 20;
// Records that never change have no version; the server only says whether it has them.
const WITHOUT_VERSION = ["photos", "track-parts", "voice-notes"];
// Records with a file, and the name under which it is sent.
export const FILES = { photos: "image", "voice-notes": "sound" };

// The copy of a record that the server has just confirmed, merged with the copy of its earlier version.
export function confirmation(record, body, payload, known) {
  const { id: _, version = "", ...stored } = body;
  const { id, kind, session, words, account, needs, seq, bytes } = record;
  const versions = [...new Set([...(known?.versions ?? []), record.base, version].filter(Boolean))].slice(-MOST_VERSIONS);
  // A pass that is sent again keeps its number.
  const whole = kind === "passes" && stored.number ? { ...payload, number: stored.number } : payload;
  return { id, kind, session, words, account, needs, seq, bytes, version, versions, stored, payload: whole, at: Date.now() };
}

// What is left of a record that was deleted on this phone.
// `confirmed`: the server had it and deleted it.
export function tombstone({ id, kind, session, account, words }, confirmed = false) {
  return { id, kind, session, account, words, removed: "phone", confirmed, at: Date.now() };
}

export function isTombstone(noted) {
  return noted?.removed === "phone" && !noted.payload;
}

// A queued deletion; it replaces what waits under the same key.
export async function queueRemoval(stores, { id, kind, session, words, account = "" }, base = "", needs = []) {
  const waiting = await resultOf(stores.records.get(id));
  let seq = (await resultOf(stores.meta.get("seq")))?.value ?? 0;
  stores.records.put({
    id, kind, session, words: words.startsWith("Deleted: ") ? words : `Deleted: ${words}`, needs, account, base, stamps: {}, payload: null,
    action: "remove", seq: waiting?.seq ?? (seq += 1), fresh: false, state: "waiting", trouble: null, failures: 0, retry_at: 0,
    tries: 0, change: (waiting?.change ?? 0) + 1,
  });
  stores.meta.put({ key: "seq", value: seq });
}

// The record confirmed last. If the server lacks it or has another version, all records are checked.
export async function newest() {
  return (await meta("newest")) ?? null;
}

// The confirmed records that the server has lost. Null if the server could not be asked.
export async function findLost(account) {
  const noted = await all("acknowledged");
  const copies = noted.filter((record) => record.payload && record.account === account);
  const stones = noted.filter(isTombstone);
  const tombstones = stones.filter((record) => record.account === account);
  const asked = [...copies, ...tombstones];
  const versions = {};
  const returned = new Set();
  const missing = new Set();
  const removed = new Set();
  for (let from = 0; from < asked.length; from += BATCH_SIZE) {
    const keys = {};
    for (const { id, kind } of asked.slice(from, from + BATCH_SIZE)) (keys[kind] ??= []).push(id);
    const answer = await ask("field/still-there/", {
      method: "POST", body: JSON.stringify(keys), headers: { "Content-Type": "application/json" },
    });
    if (answer.kind !== "json" || answer.status !== 200) return null;
    Object.assign(versions, answer.body.versions);
    answer.body.missing.forEach((id) => missing.add(id));
    answer.body.removed.forEach((id) => removed.add(id));
    answer.body.returned?.forEach((id) => returned.add(id));
  }
  const earlier = {};
  for (const copy of copies.filter((entry) => !entry.removed)) {
    const stored_version = versions[copy.id];
    if (stored_version && stored_version !== copy.version && copy.versions.includes(stored_version)) earlier[copy.id] = stored_version;
  }
  const known = new Set([...copies.filter((copy) => copy.removed), ...tombstones].map((copy) => copy.id));
  const lost = { missing: [...missing].filter((id) => !removed.has(id) && !known.has(id)), earlier };
  await change(["records", "acknowledged", "meta"], async (stores) => {
    // What was deleted on this phone and came back, by a late request or a file, is deleted again.
    // What the server had deleted and somebody restored at the desk stays.
    for (const stone of tombstones.filter(({ id }) => id in versions)) {
      if (stone.confirmed && !returned.has(stone.id)) stores.acknowledged.delete(stone.id);
      else await queueRemoval(stores, stone, versions[stone.id]);
    }
    const theirs = new Set(copies.map((copy) => copy.id));
    for (const id of [...removed, ...[...known].filter((key) => key in versions)].filter((key) => theirs.has(key))) {
      const copy = await resultOf(stores.acknowledged.get(id));
      // Somebody else may have restored it.
      if (copy) stores.acknowledged.put({ ...copy, removed: removed.has(id) ? copy.removed ?? "desk" : "" });
    }
    const last = (await resultOf(stores.meta.get("newest")))?.value;
    if (last) stores.meta.put({ key: "newest", value: { ...last, seen: versions[last.id] ?? null } });
    stores.meta.put({ key: "lost", value: lost.missing.length || Object.keys(earlier).length ? lost : null });
  });
  return lost;
}

// A sentence about lost records; "" if none is known to be lost.
export function lostWords(lost) {
  if (!lost) return "";
  const missing = lost.missing.length;
  const earlier = Object.keys(lost.earlier).length;
  const records = (number) => `${number} ${number === 1 ? "record" : "records"}`;
  const before = `${records(earlier)} ${earlier === 1 ? "is" : "are"} back at an earlier version`;
  if (!missing) return `${before}: the server was restored from an older backup, or somebody changed ${earlier === 1 ? "it" : "them"} back.`;
  return `The server has lost ${records(missing)} that it had confirmed${earlier ? `, and ${before}` : ""}; it may have been restored from an older backup.`;
}

// Queues lost records again. Also returns how many photos have no picture on this phone any more.
export async function queueAgain(ids, earlier = {}) {
  return change(["records", "photos", "acknowledged", "meta"], async (stores) => {
    let without = 0;
    let queued = 0;
    for (const id of [...ids, ...Object.keys(earlier)]) {
      const copy = await resultOf(stores.acknowledged.get(id));
      if (!copy?.payload) continue;
      if (FILES[copy.kind] && !(await resultOf(stores.photos.getKey(id)))) {
        without += 1;
        continue;
      }
      const waiting = await resultOf(stores.records.get(id));
      if (waiting?.action === "remove") continue;
      const { kind, session, words, account, needs = [], seq, bytes } = copy;
      const payload = { ...copy.payload, ...(waiting?.payload ?? {}) };
      const base = earlier[id] ?? "";
      stores.records.put({
        id, kind, session, words, account, needs, seq, bytes, payload, base, fresh: !base, stamps: waiting?.stamps ?? {},
        action: "put", began: null, changed: null, state: "waiting", trouble: null, tries: 0, failures: 0, retry_at: 0,
        change: (waiting?.change ?? 0) + 1,
      });
      if (!base) stores.acknowledged.delete(id);
      queued += 1;
    }
    await forgetLost(stores, [...ids, ...Object.keys(earlier)]);
    return { queued, without };
  });
}

// Accepts the server's state. The phone keeps its copies for the 30 days and offers them under Waiting.
export async function leaveLost(lost) {
  await change(["acknowledged", "meta"], async (stores) => {
    for (const id of lost.missing) {
      const copy = await resultOf(stores.acknowledged.get(id));
      if (copy) stores.acknowledged.put({ ...copy, removed: "left" });
    }
    for (const [id, version] of Object.entries(lost.earlier)) {
      const copy = await resultOf(stores.acknowledged.get(id));
      if (copy) stores.acknowledged.put({ ...copy, version, versions: [version] });
    }
    stores.meta.put({ key: "lost", value: null });
  });
}

async function forgetLost(stores, ids) {
  const lost = (await resultOf(stores.meta.get("lost")))?.value;
  if (!lost) return;
  const missing = lost.missing.filter((id) => !ids.includes(id));
  const earlier = Object.fromEntries(Object.entries(lost.earlier).filter(([id]) => !ids.includes(id)));
  stores.meta.put({ key: "lost", value: missing.length || Object.keys(earlier).length ? { missing, earlier } : null });
}

// After 30 days keeps only key and version. Drops pictures earlier if they take too much storage.
export async function trim() {
  const now = Date.now();
  const noted = await all("acknowledged");
  const over = noted.filter((record) => record.payload && !(record.at > now - COPY_AGE_MS));
  const stones = noted.filter((record) => isTombstone(record) && !(record.at > now - COPY_AGE_MS));
  if (stones.length) await change(["acknowledged"], async ({ acknowledged }) => { for (const { id } of stones) acknowledged.delete(id); });
  if (over.length) {
    await change(["acknowledged", "photos"], async (stores) => {
      for (const { payload: _, stored: __, ...remains } of over) {
        stores.acknowledged.put({ ...remains, bytes: 0 });
        stores.photos.delete(remains.id);
      }
    });
  }
  let quota = Infinity;
  try {
    quota = (await navigator.storage?.estimate?.())?.quota ?? Infinity;
  } catch { /* A browser that gives no estimate is assumed to have room. */ }
  await freeRoom(Math.min(MOST_PICTURE_BYTES, MOST_PICTURE_SHARE * quota));
}

// Drops pictures of confirmed photos, oldest first, until the rest fits. Returns whether any was dropped.
export async function freeRoom(most_bytes = 0) {
  const pictures = (await all("acknowledged")).filter((record) => FILES[record.kind] && record.bytes);
  pictures.sort((left, other) => other.at - left.at);
  let sum = 0;
  const going = pictures.filter((photo) => (sum += photo.bytes) > most_bytes);
  if (!going.length) return false;
  await change(["acknowledged", "photos", "records"], async (stores) => {
    for (const photo of going) {
      // A photo that is queued again is no longer confirmed.
      if (await resultOf(stores.records.getKey(photo.id))) continue;
      stores.photos.delete(photo.id);
      stores.acknowledged.put({ ...photo, bytes: 0 });
    }
  });
  return true;
}

// A summary of the copies on this phone, for the Waiting screen.
export async function storedCopies() {
  const records = (await all("acknowledged")).filter((record) => record.payload);
  const photos = records.filter((record) => record.kind === "photos");
  const whole = photos.filter((photo) => photo.bytes);
  return {
    records: records.length, photos: photos.length, whole: whole.length, bytes: whole.reduce((sum, photo) => sum + photo.bytes, 0),
    removed: records.filter((record) => record.removed),
  };
}

export function noteNewest(stores, { id, kind, version }) {
  stores.meta.put({ key: "newest", value: { id, kind, seen: WITHOUT_VERSION.includes(kind) ? "" : version } });
}
