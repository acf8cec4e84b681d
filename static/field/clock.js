// The phone's clock and its offset from the server's.

import { keepMeta, meta } from "./store.js";

const TOLERANCE_MS = 90_000;

// A moment by the phone's clock, with the offset known then. It becomes a time of day when it is sent,
// because only then can the clock be compared with the server's again.
export async function stamp(wall_ms = Date.now()) {
  const contact = await meta("contact");
  return { wall_ms, offset_ms: contact?.offset_ms ?? null, contact_ms: contact?.server_ms ?? null };
}

export async function noteContact(server_time, asked_ms, answered_ms) {
  const server_ms = Date.parse(server_time);
  if (!Number.isFinite(server_ms)) return 0;
  const offset_ms = server_ms - (asked_ms + answered_ms) / 2;
  await keepMeta("contact", { offset_ms, server_ms });
  return offset_ms;
}

// The correction of a stamp: the first that puts it neither in the future nor before the last contact
// with the server. If the clock was corrected on the way home, the older offset is the right one.
export function correction(recorded, offset_now_ms, now_ms = Date.now()) {
  const server_now = now_ms + offset_now_ms;
  const possible = [recorded.offset_ms, offset_now_ms, 0].filter((value) => value !== null);
  const fits = (offset) => {
    const moment = recorded.wall_ms + offset;
    return moment <= server_now + TOLERANCE_MS && (recorded.contact_ms === null || moment >= recorded.contact_ms - TOLERANCE_MS);
  };
  const chosen = possible.find(fits) ?? offset_now_ms;
  return Math.abs(chosen) < TOLERANCE_MS ? 0 : Math.round(chosen);
}

export function offsetIsWorthSaying(offset_ms) {
  return Math.abs(offset_ms ?? 0) >= TOLERANCE_MS;
}
