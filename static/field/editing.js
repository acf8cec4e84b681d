// Changing, deleting and restoring what was logged in a session, whether it was sent or not.

import { FILES } from "./confirmed.js";
import { TO_READ } from "./outing.js";
import { keep, takeBack } from "./queue.js";
import { read } from "./store.js";

const LISTED = ["passes", "readings", "failures", "photos", "gates", "mark-taps", "voice-notes"];
// What the phone notes beside a record and no server knows.
const PHONE_ONLY = ["id", "words", "stamps", "timeless", "seen_m", "unseen_m", "whole", "to_read"];

export function rowOf(outing, id) {
  const list = LISTED.find((name) => outing[name]?.some((row) => row.id === id)) ?? null;
  return { list, row: list && outing[list].find((row) => row.id === id) };
}

function payloadOf(list, row) {
  const payload = Object.fromEntries(Object.entries(row).filter(([name]) => !PHONE_ONLY.includes(name)));
  if (list === "failures" && payload.mode) delete payload.mode_name;
  return payload;
}

function needsOf(outing, list, row) {
  return [list === "photos" && row.failure ? row.failure : outing.id, ...(["passes", "mark-taps"].includes(list) ? [row.gate] : [])];
}

// Changes of a record that was logged, whether it was sent or not.
export async function edit(outing, list, id, changes) {
  const { row } = rowOf(outing, id);
  const payload = { ...payloadOf(list, row), ...changes };
  const changed = Object.keys(changes).filter((name) => JSON.stringify(row[name] ?? null) !== JSON.stringify(changes[name]));
  if (!changed.length) return;
  await keep([{
    id, kind: list, session: outing.id, needs: needsOf(outing, list, payload), payload, stamps: row.stamps ?? {}, words: row.words, changed,
  }], { outing: [outing.id, (page) => {
    const entry = page[list].find((listed) => listed.id === id);
    Object.assign(entry, changes);
    if (entry.to_read && changes.note !== TO_READ) delete entry.to_read;
    // The figure that was said rested on what was there before.
    if (list === "readings") page.lowest = null;
  }] });
}

// Deletes a record here and on the server. Returns what is needed to restore it.
export async function remove(outing, list, id) {
  const { row } = rowOf(outing, id);
  const photos = list === "failures" ? outing.photos.filter((photo) => photo.failure === id) : [];
  const pictures = await Promise.all([row, ...photos].map((photo) => read("photos", photo.id)));
  for (const photo of photos) await undo(outing, "photos", photo.id);
  await undo(outing, list, id, photos.map((photo) => photo.id));
  return { list, row, photos, pictures: pictures.filter(Boolean) };
}

export async function restore(outing, { list, row, photos, pictures }) {
  const again = (name, entry) => ({
    id: entry.id, kind: name, session: outing.id, needs: needsOf(outing, name, entry), payload: payloadOf(name, entry),
    stamps: entry.stamps ?? {}, words: entry.words, anew: true,
  });
  const back = [again(list, row), ...photos.filter((photo) => pictures.some(({ id }) => id === photo.id)).map((photo) => again("photos", photo))];
  await keep(FILES[list] && !pictures.length ? [] : back, { photos: pictures, outing: [outing.id, (page) => {
    page[list].push(row);
    page[list].sort((first, other) => (first.sequence ?? 0) - (other.sequence ?? 0));
    for (const photo of photos) page.photos.push(photo);
  }] });
}

export async function undo(outing, list, id, after = []) {
  await takeBack(id, [outing.id, (page) => {
    page[list] = page[list].filter((record) => record.id !== id);
    if (list === "readings") page.lowest = null;
  }], after);
}
