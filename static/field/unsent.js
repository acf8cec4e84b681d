// The unsent records as one file that the server can import, for a phone without a connection.

import { FILES } from "./confirmed.js";
import { byAge } from "./queue.js";
import { resolved } from "./sending.js";
import { all, meta, read } from "./store.js";

// All queued records, or one of them.
export async function unsentFile(id = null) {
  const records = byAge(await all("records")).filter((record) => !id || record.id === id);
  const account = await meta("account");
  const parts = [];
  for (const record of records) {
    const [payload] = record.payload ? resolved(record) : [null];
    const { kind, action, base, fresh, words, changed } = record;
    const entry = { id: record.id, kind, action, base, fresh, words, payload, ...(changed ? { changed } : {}) };
    if (FILES[kind] && action === "put") entry.bytes = await inBase64(await read("photos", record.id));
    parts.push(parts.length ? "," : "", JSON.stringify(entry));
  }
  const header = { firnlog: "unsent", format: 1, saved_at: new Date().toISOString(), account };
  const head = JSON.stringify(header).slice(0, -1);
  return { count: records.length, file: new Blob([head, ',"records":[', ...parts, "]}"], { type: "application/json" }) };
}

function inBase64(photo) {
  return new Promise((resolve, reject) => {
    const reader = new FileReader();
    reader.onload = () => resolve(reader.result.slice(reader.result.indexOf(",") + 1));
    reader.onerror = () => reject(reader.error);
    reader.readAsDataURL(new Blob([photo.bytes], { type: photo.type }));
  });
}
