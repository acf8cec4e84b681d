// Sends queued records and handles each answer. A record that fails never holds up the others; only a server that
// cannot be reached does.

import { FIRST_SIZE, nextSize, sizeWhenBusy } from "./batch_size.js";
import { correction, noteContact } from "./clock.js";
import { FILES, findLost, newest, trim } from "./confirmed.js";
import { confirmedTogether } from "./confirming.js";
import { OUR_FORMAT, ask } from "./link.js";
import { pick, threeWay } from "./merge.js";
import { PARENTS, missingOf } from "./places.js";
import { byAge, withRoom } from "./queue.js";
import { link, sendsBy, tell } from "./signals.js";
import { NAME, all, change, countOf, resultOf, keepMeta, meta, read } from "./store.js";

const TIMER_MS = 30_000;
const LONGEST_WAIT_MS = 300_000;
const LONGEST_RECORD_WAIT_MS = 1_800_000;
// Answers that concern the whole server, from itself or a proxy (RFC 9110, RFC 4918).
const WHOLE_SERVER = new Set([502, 503, 504, 507]);
// Content, address or headers too large: a proxy's answer need not be JSON.
const TOO_LARGE = new Set([413, 414, 431]);
// After so many failures in a row, each after a successful greeting, the record itself is the cause.
const OWN_TROUBLE_AFTER = 2;

// Only one tab sends at a time. Plain http has no locks; there a lease in the store takes their place.
async function alone(work) {
  if (navigator.locks) {
    return navigator.locks.request(`${NAME} drain`, { ifAvailable: true }, (lock) => (lock ? work() : null));
  }
  const me = `${performance.timeOrigin}-${Math.random()}`;
  const mine = await change(["meta"], async (stores) => {
    const lease = (await resultOf(stores.meta.get("lease")))?.value;
    if (lease && lease.until > Date.now() && lease.until < Date.now() + 600_000) return false;
    stores.meta.put({ key: "lease", value: { me, until: Date.now() + 240_000 } });
    return true;
  });
  if (!mine) return null;
  try {
    return await work();
  } finally {
    await change(["meta"], async (stores) => { stores.meta.delete("lease"); });
  }
}

let running = false;
let again = false;
let anyway = false;
let wait_ms = TIMER_MS;
let timer = 0;
let looked = false;

// Sends queued records, oldest first. Called at load, when the network or the page comes back, after each
// save, on a timer and on a button; a call while it runs makes it run once more. `at_once` also tries
// records whose retry time has not come.
export async function drain({ at_once = false } = {}) {
  anyway ||= at_once;
  if (running) {
    again = true;
    return;
  }
  running = true;
  try {
    do {
      again = false;
      const now = anyway;
      anyway = false;
      await alone(() => sendAll(now));
    } while (again);
  } finally {
    running = false;
    link.sending = false;
    tell();
    clearTimeout(timer);
    timer = setTimeout(() => void drain(), link.trouble ? wait_ms : TIMER_MS);
  }
}
sendsBy(drain);

// Photos last, and records that failed repeatedly after the others, so that nothing waits for them.
function inOrder(records) {
  const rank = (record) => (record.failures >= OWN_TROUBLE_AFTER ? 2 : 0) + (FILES[record.kind] ? 1 : 0);
  return byAge(records).sort((first, other) => rank(first) - rank(other));
}

// Where so many are ready, many records go in one request.
const BATCH_FROM = 12;
let batch_size = FIRST_SIZE;
let batches = true;

// Each pass over the queue reads it once and sends all that waits for nothing; what waited for something sent in it
// follows in the next.
async function sendAll(at_once) {
  const waits = await meta("wait_until");
  if (waits > Date.now() && waits < Date.now() + LONGEST_RECORD_WAIT_MS && !at_once) return;
  if (!(await countOf("records")) && link.account && !link.trouble) return;
  const greeting = await greet();
  if (!greeting) return;
  const tried = new Set();
  for (;;) {
    const queue = inOrder(await all("records"));
    if (!tried.size && queue.some((record) => record.account && record.account !== link.account)) stop("other_account");
    const keys = new Set(queue.map((record) => record.id));
    const is_ready = (record) => record.state === "waiting" && record.account === link.account && (at_once || !(record.retry_at > Date.now())) &&
      !tried.has(`${record.id}/${record.change}`) && !record.needs.some((key) => keys.has(key));
    const ready = queue.filter(is_ready);
    if (!ready.length) break;
    link.sending = true;
    tell();
    const many = batches && ready.filter((record) => !FILES[record.kind] && !record.failures).length >= BATCH_FROM;
    for (let from = 0; from < ready.length;) {
      const chunk = many ? ready.slice(from, from + batch_size).filter((record) => !FILES[record.kind] && !record.failures) : [];
      const group = chunk.length > 1 ? chunk : [ready[from]];
      for (const record of group) tried.add(`${record.id}/${record.change}`);
      const goes_on = chunk.length > 1 ? await sendTogether(chunk) : await send(ready[from]);
      if (!goes_on) return;
      from += group.length;
    }
  }
  if (link.trouble !== "other_account") link.trouble = "";
  wait_ms = TIMER_MS;
}

// Several records in one request, with one answer each. Where it does not go through as a whole, each goes alone.
async function sendTogether(records) {
  const sent = records.map((record) => ({ record, resolved: resolved(record) }));
  const current = new Set(await withRoom(() => change(["records"], async (stores) => {
    const ids = [];
    const waiting = await Promise.all(sent.map(({ record }) => resultOf(stores.records.get(record.id))));
    for (const [index, { record, resolved: [payload, stamps] }] of sent.entries()) {
      const now = waiting[index];
      if (now?.change !== record.change) continue;
      stores.records.put({ ...now, tries: now.tries + 1, sent: payload, stamps: { ...now.stamps, ...stamps } });
      ids.push(record.id);
    }
    return ids;
  })));
  const going = sent.filter(({ record }) => current.has(record.id));
  const requests = await Promise.all(going.map(({ record, resolved: [payload] }) => requestOf(record, payload)));
  const entries = going.map(({ record }, index) => {
    const { method, headers, body } = requests[index];
    return { kind: record.kind, id: record.id, method, if_match: headers["If-Match"] ?? "", if_none_match: headers["If-None-Match"] ?? "", body: body ? JSON.parse(body) : null };
  });
  const answer = await ask("field/records/", {
    method: "POST", timeout_ms: 60_000, headers: { "Content-Type": "application/json", "X-Firnlog-Account": link.account }, body: JSON.stringify({ records: entries }),
  });
  if (answer.status === 429 || (answer.status === 503 && answer.retry_after_s)) {
    batch_size = sizeWhenBusy(batch_size);
    return Boolean(await pause(answer.retry_after_s));
  }
  const answers = answer.kind === "json" && answer.status === 200 ? answer.body.answers : null;
  batch_size = nextSize(batch_size, going.length, answer.body?.took_s);
  if (answer.kind === "json" && [404, 405].includes(answer.status)) batches = false;
  if (!Array.isArray(answers) || answers.length !== going.length) {
    for (const { record } of going) if (!(await send({ ...record, tries: record.tries + 1 }))) return false;
    return true;
  }
  const stored = going.filter((_, index) => isStored(going[index].record, answers[index]));
  await confirmedTogether(stored.map(({ record, resolved: [payload, stamps] }) => {
    const { doubts = [], ...body } = answers[going.findIndex((answered) => answered.record === record)].body;
    return { record, body, payload, stamps, doubts };
  }));
  for (const [index, { record, resolved: [payload, stamps] }] of going.entries()) {
    if (isStored(record, answers[index])) continue;
    const { status, body } = answers[index];
    const kind = status >= 500 ? "server" : "json";
    if (!(await act(record, payload, stamps, { kind, status, body }))) return false;
  }
  tell();
  return true;
}

const isStored = (record, { status, body }) => record.action !== "remove" && status >= 200 && status < 300 && body?.id === record.id;

// The server asks for a pause, in its own words or by its usual length.
async function pause(retry_after_s) {
  const pause_ms = Math.min(LONGEST_RECORD_WAIT_MS, 1000 * (retry_after_s ?? 60));
  await keepMeta("wait_until", Date.now() + pause_ms);
  stop("busy");
  link.wait_until = Date.now() + pause_ms;
  wait_ms = pause_ms;
  return null;
}

function stop(trouble) {
  link.trouble = trouble;
  wait_ms = Math.min(LONGEST_WAIT_MS, wait_ms * 1.5);
  return null;
}

// Before sending: who is signed in, the server's time, and whether it still has the confirmed records.
export async function greet() {
  const asked_ms = Date.now();
  const last = await newest();
  const answer = await ask(`field/greeting/${last ? `?newest=${last.kind}/${last.id}` : ""}`);
  if (answer.status === 429 || answer.retry_after_s) return pause(answer.retry_after_s);
  if (answer.kind !== "json") return stop(answer.kind);
  if (answer.status === 401 || answer.status === 403) return stop("signed_out");
  const greeting = answer.body;
  if (answer.status !== 200 || !greeting.account) return stop("portal");
  link.offset_ms = await noteContact(greeting.server_time, asked_ms, Date.now());
  if (greeting.format > OUR_FORMAT + 1) return stop("old");
  link.account = greeting.account.id;
  link.name = greeting.account.name;
  const known = await meta("account");
  if (known?.id !== link.account) await keepMeta("account", greeting.account);
  await checkConfirmed(last, greeting.newest);
  if (!greeting.account.may_log) return stop("reader");
  link.trouble = "";
  return greeting;
}

// Checks all confirmed records once per page load, and whenever the newest one differs on the server.
async function checkConfirmed(last, version) {
  const asNoted = !last || version === undefined || version === last.seen;
  if (looked && asNoted) return;
  if (!looked) await trim();
  if (await findLost(link.account)) {
    looked = true;
    tell();
  }
}

export function resolved(record) {
  const payload = { ...record.payload };
  const stamps = {};
  for (const [name, stamp] of Object.entries(record.stamps)) {
    const added_ms = stamp.added_ms ?? correction(stamp, link.offset_ms);
    stamps[name] = { ...stamp, added_ms };
    payload[name] = new Date(stamp.wall_ms + added_ms).toISOString();
    if (record.kind === "sessions" && name === "started_at" && added_ms) payload.clock_correction_s = added_ms / 1000;
  }
  return [payload, stamps];
}

// The request for a record: a new one whole, a change with the fields that changed and the version they began from.
async function requestOf(record, payload) {
  const headers = { "X-Firnlog-Account": record.account, ...precondition(record) };
  if (record.action === "remove") return { method: "DELETE", headers };
  if (FILES[record.kind] && !record.changed) {
    const photo = await read("photos", record.id);
    const body = new FormData();
    // All of a form is text, and a number in a text without a unit is in the unit that people see.
    for (const [name, value] of Object.entries(payload)) body.append(name, name.endsWith("_s") ? `${value} s` : value);
    body.append(FILES[record.kind], new Blob([photo.bytes], { type: photo.type }), record.kind);
    return { method: "PUT", headers, body, timeout_ms: 240_000 };
  }
  const content = record.changed ? pick(payload, record.changed) : payload;
  return {
    method: record.changed ? "PATCH" : "PUT",
    headers: { ...headers, "Content-Type": "application/json" },
    // In the body too, because a proxy may drop or rewrite the header.
    body: JSON.stringify(record.base ? { ...content, version: record.base } : content),
  };
}

// Returns true to go on with the next record, false to stop this round.
async function send(record) {
  const [payload, stamps] = resolved(record);
  // Stores what is sent, so that a repetition after a lost reply is identical.
  const is_current = await withRoom(() => change(["records"], async (stores) => {
    const now = await resultOf(stores.records.get(record.id));
    // Deleted or changed since the round began.
    if (now?.change !== record.change) return false;
    stores.records.put({ ...now, tries: now.tries + 1, sent: payload, stamps: { ...now.stamps, ...stamps } });
    return true;
  }));
  if (!is_current) return true;
  return act(record, payload, stamps, await ask(`${record.kind}/${record.id}/`, await requestOf(record, payload)));
}

// What an answer means for a record. Returns true to go on with the next record, false to stop this round.
async function act(record, payload, stamps, answer) {
  const { kind, status, body } = answer;
  if (status === 429 || (status === 503 && answer.retry_after_s)) return Boolean(await pause(answer.retry_after_s));
  if (TOO_LARGE.has(status)) return refused(record, "refused", { status, sentence: body?.detail ?? "", fields: {} });
  if (kind === "server" && !WHOLE_SERVER.has(status)) return postpone(record, { status });
  if (kind !== "json") {
    await postpone(record, { status, network: kind });
    return Boolean(stop(kind));
  }
  if (status === 401 || (status === 403 && body?.code !== "other_account")) return Boolean(stop("signed_out"));
  if (status === 403) return Boolean(stop("other_account"));
  if (status === 408) return Boolean(stop("server"));
  if (record.action === "remove" && status === 404) return confirmed(record, {}, payload, stamps);
  if (status >= 200 && status < 300 && body?.id === record.id) {
    // What is doubted about it is no content of the record.
    const { doubts = [], ...stored } = body;
    return confirmed(record, stored, payload, stamps, doubts);
  }
  if (status === 412 || status === 428) return differs(record, body, payload);
  if (status === 404 && record.changed) return refused(record, "gone", { sentence: "It was deleted on the server." });
  if (status === 400 && record.payload) {
    const parent = await missingParent(record, body);
    if (parent) return refused(record, "missing", { parent });
  }
  if (status >= 400) return refused(record, "refused", { status, sentence: "", fields: body ?? {} });
  return Boolean(stop("portal"));
}

// Retries a record later, doubling the wait each time. A network error counts against it only if it repeats.
async function postpone(record, trouble) {
  await change(["records"], async (stores) => {
    const now = await resultOf(stores.records.get(record.id));
    if (!now || now.change !== record.change) return;
    const failures = (now.failures ?? 0) + 1;
    const own = !trouble.network || failures >= OWN_TROUBLE_AFTER;
    const pause_ms = Math.min(LONGEST_RECORD_WAIT_MS, TIMER_MS * 2 ** (failures - 1));
    stores.records.put({ ...now, failures, retry_at: own ? Date.now() + pause_ms : 0, trouble: own ? trouble : null });
  });
  tell();
  return true;
}

// The expected state of the stored record. Without a known version nothing is overwritten: the server then
// answers with both.
function precondition({ action, base, fresh }) {
  if (base) return { "If-Match": base.includes('"') ? base : `"${base}"` };
  if (action === "remove") return {};
  return fresh ? { "If-None-Match": "*" } : { "If-Match": '"unknown"' };
}

async function confirmed(record, body, payload, stamps, doubts = []) {
  await confirmedTogether([{ record, body, payload, stamps, doubts }]);
  if (FILES[record.kind]) await trim();
  tell();
  return true;
}

// The stored record has another version. Fields that only one side changed are merged automatically.
async function differs(record, body, payload) {
  if (!body.stored) return refused(record, "gone", { sentence: body.detail });
  const { id: _, ...stored } = body.stored;
  const mine = body.sent ?? payload;
  const names = (record.changed ?? Object.keys(payload)).filter((name) => name in mine && name in stored);
  const merged = threeWay({ mine, began: record.began ?? record.sent, stored, names });
  const version = body.stored_version ?? "";
  if (merged.overlap.length || !version) {
    return refused(record, "differs", { sentence: body.detail, stored, version, sent: mine, ...merged });
  }
  if (!merged.mine.length) return confirmed(record, { ...body.stored, version }, payload, {});
  await change(["records"], async (stores) => {
    const now = await resultOf(stores.records.get(record.id));
    if (!now) return;
    const changed = now.change === record.change ? merged.mine : [...new Set([...merged.mine, ...(now.changed ?? Object.keys(now.payload))])];
    stores.records.put({ ...now, base: version, fresh: false, began: stored, changed, change: now.change + 1 });
  });
  tell();
  return true;
}

// The missing parent of a refused record, if there is one.
async function missingParent(record, errors) {
  const wanted = Object.entries(PARENTS)
    .filter(([name]) => errors?.[name] && record.payload[name])
    .map(([name, kind]) => ({ kind, id: record.payload[name] }));
  return wanted.length ? ((await missingOf(wanted)) ?? [])[0] ?? null : null;
}

async function refused(record, state, trouble) {
  await change(["records"], async (stores) => {
    const now = await resultOf(stores.records.get(record.id));
    if (now && now.change === record.change) stores.records.put({ ...now, state, trouble });
  });
  tell();
  return true;
}
