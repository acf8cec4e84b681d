// What a comparison of this phone's count with the server's clock tells, as in RFC 5905; pure.

import { DISAGREE_S, overReloads } from "./session_clock.js";

// RFC 5905 bounds the drift of a clock in a room by 15 ppm. A crystal of a phone in the cold runs slower by some 75 ppm
// (common practice, no source).
const DRIFT = 100e-6;

// Times in seconds: T1 and T4 by this phone, T2 and T3 by the server (RFC 5905, 8).
export function offsetAndDelay({ sent_s, received_s, answered_s, arrived_s }) {
  return {
    offset_s: (received_s - sent_s + (answered_s - arrived_s)) / 2,
    delay_s: arrived_s - sent_s - (answered_s - received_s),
  };
}

// Standard uncertainty of the server's time, an age after the comparison: the way there and back may share the delay in
// any proportion, and the drift may be anything up to its bound (both rectangular; JCGM 100, 4.3.7).
export function clockU({ delay_s, age_s }) {
  return Math.hypot(Math.max(0, delay_s) / 2, DRIFT * Math.abs(age_s)) / Math.sqrt(3);
}

// The server's time of a tap, its standard uncertainty without the thumb's, and why it may be wrong, or "". What the
// phone's two clocks differ by since the comparison counts as uncertain, and so does what a reload since then may hide.
export function momentOf(tap, { at, server_s, delay_s }, reload) {
  const by_wall_s = (tap.wall_ms - at.wall_ms) / 1000;
  const counted = overReloads(at, tap, reload);
  if (!counted) {
    return {
      server_s: server_s + by_wall_s, age_s: by_wall_s, u_s: clockU({ delay_s, age_s: by_wall_s }),
      reason: "The page was closed since the clocks were compared, so only one of the phone's clocks timed it.",
    };
  }
  const age_s = counted.counted_s;
  const parted_s = Math.abs(by_wall_s - age_s);
  return {
    server_s: server_s + age_s, age_s, u_s: Math.hypot(clockU({ delay_s, age_s }), parted_s / Math.sqrt(3), counted.reload_s / Math.sqrt(3)),
    reason: parted_s > DISAGREE_S ? `The phone's clocks parted by ${parted_s.toFixed(1)} s since they were compared: it slept, or its time was set.` : "",
  };
}
