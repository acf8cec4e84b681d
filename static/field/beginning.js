// Starting a session on this phone, and joining one that another phone started.

import { stamp } from "./clock.js";
import { newKey } from "./elements.js";
import { keep } from "./queue.js";
import { NEVER_SET } from "./session_clock.js";
import { keepMeta, meta, read } from "./store.js";
import { beginWay } from "./way.js";

function blank(id, session, started_ms) {
  return {
    id, session, started_ms, ended_ms: null, stamps: {}, passes: [], readings: [], failures: [], photos: [],
    gates: [], "mark-taps": [], "voice-notes": [], ticks: {}, gate: null, direction: "out", track: null,
    way: beginWay(), lowest: null, clock: NEVER_SET,
  };
}

export async function start(choice, check) {
  const id = newKey();
  const records = [];
  let venue = choice.venue;
  if (!venue) {
    venue = newKey();
    const payload = { name: choice.venue_name, notes: "" };
    records.push({ id: venue, kind: "venues", session: id, payload, words: `Venue: ${choice.venue_name}` });
  }
  const began = await stamp();
  const account = await meta("account");
  const session = { revision: choice.revision, venue, ...choice.conditions };
  records.push({
    id, kind: "sessions", session: id, payload: session, stamps: { started_at: began },
    needs: [venue], words: `Session with ${choice.revision_name}`,
  });
  const key = newKey();
  records.push({
    id: key, kind: "go-no-go-checks", session: id, needs: [id],
    payload: { session: id, ...check.answers, machine_points: check.machine_points ?? [], reason_to_go_on: check.reason }, words: "Go/no-go check",
  });
  await keep(records, {
    outing: [id, (page) => Object.assign(page, blank(id, session, began.wall_ms), {
      account: account?.id, account_name: account?.name, stamps: { started_at: began }, began_stamp: began, venue_name: choice.venue_name, revision_name: choice.revision_name,
    })],
    draft: "start",
  });
  await keepMeta("outing", id);
  return id;
}

// Sessions that this phone knows, its own and those it joined.
export async function isKnown(id) {
  return Boolean(await read("outings", id));
}

// Joins a session that another phone started. A session that this phone knows continues.
export async function join(going, names) {
  const { id, started_at, ...session } = going.session;
  if (await isKnown(id)) {
    await keepMeta("outing", id);
    return id;
  }
  const [now, account] = [await stamp(), await meta("account")];
  const started_ms = Date.parse(started_at) - (now.offset_ms ?? 0);
  await keep([], {
    outing: [id, (page) => Object.assign(page, blank(id, session, started_ms), {
      joined: true, account: (account ?? {}).id, account_name: (account ?? {}).name, version: going.version, began: { started_at, ...session }, started_at,
      began_stamp: { ...now, wall_ms: started_ms }, ...names,
      direction: going.passes % 2 ? "back" : "out",
    })],
  });
  await keepMeta("outing", id);
  return id;
}
