// The store on this phone. A screen says "saved" only after a transaction here is complete.

import { el } from "./elements.js";

// A second installation on the same host, under another path, has a store of its own.
export const nameAt = (place) => (place === "/field/" ? "firnlog-field" : `firnlog-field ${place}`);
export const NAME = nameAt(document.body.dataset.page);
const SHAPE = 1;
const STORES = {
  records: "id", // records waiting to be sent, by key
  photos: "id", // their pictures and sounds, as ArrayBuffer
  outings: "id", // sessions as this phone knows them
  acknowledged: "id", // copies of confirmed records, with their versions
  drafts: "key", // typed but not saved yet
  meta: "key",
};

export class PhoneIsFull extends Error {}

let opened = null;

function database() {
  opened ??= new Promise((resolve, reject) => {
    const request = indexedDB.open(NAME, SHAPE);
    request.onupgradeneeded = () => {
      for (const [name, keyPath] of Object.entries(STORES)) {
        if (!request.result.objectStoreNames.contains(name)) request.result.createObjectStore(name, { keyPath });
      }
    };
    request.onsuccess = () => {
      // Close the connection, so that a newer page in another tab can upgrade the store.
      request.result.onversionchange = () => { request.result.close(); opened = null; };
      request.result.onclose = () => { opened = null; };
      resolve(request.result);
    };
    request.onerror = () => { opened = null; reject(request.error); };
  });
  return opened;
}

export function resultOf(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

// One transaction over the named stores: either all of it is on disk when this returns, or none.
// "relaxed" survives a killed browser, but not a sudden loss of power.
export async function change(names, work, durability = "strict") {
  const transaction = (await database()).transaction(names, "readwrite", { durability });
  const finished = new Promise((resolve, reject) => {
    transaction.oncomplete = () => resolve();
    transaction.onabort = () => reject(transaction.error ?? new Error("The phone refused to store it."));
  });
  finished.catch(() => {});
  const stores = Object.fromEntries(names.map((name) => [name, transaction.objectStore(name)]));
  try {
    const result = await work(stores);
    await finished;
    return result;
  } catch (error) {
    try { transaction.abort(); } catch { /* It has ended already. */ }
    const cause = await finished.then(() => error, (aborted) => aborted ?? error);
    const full = [error, cause].some((fault) => fault?.name === "QuotaExceededError");
    throw full ? new PhoneIsFull("This phone's storage is full.") : error;
  }
}

export async function read(name, key) {
  return resultOf((await database()).transaction(name).objectStore(name).get(key));
}

export async function all(name) {
  return resultOf((await database()).transaction(name).objectStore(name).getAll());
}

export async function countOf(name) {
  return resultOf((await database()).transaction(name).objectStore(name).count());
}

export async function keepMeta(key, value) {
  await change(["meta"], async ({ meta }) => { meta.put({ key, value }); });
}

export async function meta(key) {
  return (await read("meta", key))?.value;
}

// What a browser does not promise to keep is said, with what helps; `folded` to one line where other things come first.
export async function storageNotice(folded = false) {
  const kept = await navigator.storage?.persisted?.().catch(() => null);
  if (kept !== false) return null;
  const words = "This browser may clear what waits here when the phone runs short of space, and a private window forgets it when it is closed. Put this page on the home screen, in an ordinary window; until then send soon, or save to a file.";
  const attributes = { class: "notice", id: "not-persistent" };
  return folded ? el("details", attributes, el("summary", {}, "This browser may forget what waits here"), el("p", {}, words)) : el("p", attributes, words);
}

// Asks the browser not to clear this page's storage when the phone runs short.
export async function askToPersist() {
  try {
    return (await navigator.storage?.persist?.()) ?? false;
  } catch {
    return false;
  }
}
