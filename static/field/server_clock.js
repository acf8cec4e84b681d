// Compares this phone's count with the server's clock while there is a network.

import { momentOf, offsetAndDelay } from "./clock_comparison.js";
import { ask } from "./link.js";
import { bothClocks } from "./session_clock.js";
import { keepMeta, meta } from "./store.js";

// The comparison with the least delay of eight is the best one (RFC 5905, 10).
const SAMPLES = 8;
// Compares the clocks, and keeps the comparison that is worth more now. Returns it, or null without any.
export async function compareWithServer() {
  let best = null;
  for (let sample = 0; sample < SAMPLES; sample += 1) {
    const sent = bothClocks();
    const answer = await ask("field/clock/", { timeout_ms: 5_000 });
    const at = bothClocks();
    if (answer.kind !== "json" || answer.status !== 200 || !Number.isFinite(answer.body.received_s)) break;
    const { received_s, answered_s } = answer.body;
    const { offset_s, delay_s } = offsetAndDelay({ sent_s: sent.count_ms / 1000, received_s, answered_s, arrived_s: at.count_ms / 1000 });
    if (!best || delay_s < best.delay_s) best = { at, server_s: at.count_ms / 1000 + offset_s, delay_s };
  }
  const known = await comparison();
  if (!best || (known && !momentOf(bothClocks(), known).reason && momentOf(bothClocks(), known).u_s < momentOf(bothClocks(), best).u_s)) return known;
  await keepMeta("compared", best);
  return best;
}

export async function comparison() {
  return (await meta("compared")) ?? null;
}
