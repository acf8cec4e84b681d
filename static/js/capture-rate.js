// The frame rate at which a clip was recorded, where the camera wrote it into the file.

// Android's cameras write "com.android.capture.fps" into the metadata of an MP4: a list of keys, and items numbered by
// them whose data atom has type 23, a float of 32 bits (QuickTime File Format, metadata item list; the key from memory).
const KEY = "com.android.capture.fps";
const FLOAT = 23;
const SEARCHED_BYTES = 4 * 1024 * 1024;

const letters = (view, at, count) => String.fromCharCode(...new Uint8Array(view.buffer, view.byteOffset + at, count));

// Where four letters stand, from a place on; -1 where nowhere.
function find(view, name, from = 0) {
  const bytes = new Uint8Array(view.buffer, view.byteOffset, view.byteLength);
  const wanted = [...name].map((letter) => letter.charCodeAt(0));
  for (let at = bytes.indexOf(wanted[0], from); at >= 0; at = bytes.indexOf(wanted[0], at + 1)) {
    if (wanted.every((code, place) => bytes[at + place] === code)) return at;
  }
  return -1;
}

function numberOfKey(view, keys) {
  const count = Math.min(view.getUint32(keys + 8), 500);
  let at = keys + 12;
  for (let number = 1; number <= count; number += 1) {
    const size = view.getUint32(at);
    if (size < 8) return 0;
    if (size === 8 + KEY.length && letters(view, at + 8, KEY.length) === KEY) return number;
    at += size;
  }
  return 0;
}

// The rate in a piece of a file, or null.
export function captureRate(buffer) {
  const view = new DataView(buffer);
  try {
    const key = find(view, KEY);
    if (key < 0) return null;
    let keys = -1;
    for (let at = find(view, "keys"); at >= 0 && at < key; at = find(view, "keys", at + 4)) keys = at;
    const number = keys < 0 ? 0 : numberOfKey(view, keys);
    const list = find(view, "ilst", key);
    if (!number || list < 0) return null;
    const end = Math.min(list - 4 + view.getUint32(list - 4), view.byteLength);
    for (let at = list + 4; at + 8 <= end;) {
      const size = view.getUint32(at);
      if (size < 8) return null;
      if (view.getUint32(at + 4) === number && letters(view, at + 12, 4) === "data" && view.getUint32(at + 16) === FLOAT) {
        const rate = view.getFloat32(at + 24);
        return rate >= 1 && rate <= 9999 ? Math.round(rate * 100) / 100 : null;
      }
      at += size;
    }
  } catch (error) {
    if (!(error instanceof RangeError)) throw error;
  }
  return null;
}

// Metadata stand at either end of a file.
export async function captureRateOf(file) {
  for (const part of [file.slice(-SEARCHED_BYTES), file.slice(0, SEARCHED_BYTES)]) {
    const rate = captureRate(await part.arrayBuffer());
    if (rate !== null) return rate;
  }
  return null;
}
