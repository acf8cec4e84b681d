// The queue between this phone and the server. A record leaves it only after the server's own
// confirmation; until then it survives closed tabs, dead batteries, lost replies and lost sign-ins.

import { correction, noteContact } from "./clock.js";
import { OUR_FORMAT, ask } from "./link.js";
import { NAME, all, change, got, keepMeta, meta, read } from "./store.js";

// Without the drafts: what is typed must not wait for what is sent.
const ALL = ["records", "photos", "outings", "acknowledged", "meta"];
const TIMER_MS = 30_000;
const LONGEST_WAIT_MS = 300_000;

// Why nothing is being sent just now; "" while there is no such reason.
export const link = { trouble: "", account: null, name: "", offset_ms: 0, sending: false };

const listeners = new Set();
const otherTabs = "BroadcastChannel" in globalThis ? new BroadcastChannel(NAME) : null;
if (otherTabs) otherTabs.onmessage = () => tell(false);

export function onChange(listener) {
  listeners.add(listener);
}

function tell(others = true) {
  for (const listener of listeners) listener();
  if (others) otherTabs?.postMessage("changed");
}

export function byAge(records) {
  return records.sort((one, other) => one.seq - other.seq);
}

// Put records, pictures and the outing's own page on disk in one go, then try to send.
// `records` are {id, kind, payload, words, session, needs, stamps}; `outing` is [id, change it].
export async function keep(records, { photos = [], outing = null, draft = "" } = {}) {
  const account = await meta("account");
  const changed = await change(draft ? [...ALL, "drafts"] : ALL, async (stores) => {
    let seq = (await got(stores.meta.get("seq")))?.value ?? 0;
    for (const record of records) {
      const earlier = await got(stores.records.get(record.id));
      const known = await got(stores.acknowledged.get(record.id));
      stores.records.put({
        needs: [],
        stamps: {},
        action: "put",
        ...record,
        seq: earlier?.seq ?? (seq += 1),
        account: earlier?.account ?? account?.id ?? "",
        base: known?.version ?? record.base ?? "",
        fresh: !known && !record.base,
        state: "waiting",
        trouble: null,
        tries: earlier?.tries ?? 0,
        change: (earlier?.change ?? 0) + 1,
      });
    }
    stores.meta.put({ key: "seq", value: seq });
    for (const photo of photos) stores.photos.put(photo);
    if (draft) stores.drafts.delete(draft);
    if (!outing) return null;
    const [id, alter] = outing;
    const held = (await got(stores.outings.get(id))) ?? { id };
    alter(held);
    stores.outings.put(held);
    return held;
  });
  tell();
  void drain();
  return changed;
}

// Take a record back: out of the queue if nobody else can have seen it, else by removing it there too.
export async function takeBack(id, outing) {
  await change(ALL, async (stores) => {
    const waiting = await got(stores.records.get(id));
    const known = await got(stores.acknowledged.get(id));
    if (waiting && !waiting.tries && !known) {
      stores.records.delete(id);
      stores.photos.delete(id);
    } else if (waiting || known) {
      let seq = (await got(stores.meta.get("seq")))?.value ?? 0;
      const account = (await got(stores.meta.get("account")))?.value;
      stores.photos.delete(id);
      stores.records.put({
        id,
        kind: (waiting ?? known).kind,
        session: (waiting ?? known).session,
        words: `Taken back: ${(waiting ?? known).words}`,
        needs: [],
        stamps: {},
        payload: null,
        action: "remove",
        seq: waiting?.seq ?? (seq += 1),
        account: (waiting ?? known).account ?? account?.id ?? "",
        base: known?.version ?? "",
        fresh: false,
        state: "waiting",
        trouble: null,
        tries: 0,
        change: (waiting?.change ?? 0) + 1,
      });
      stores.meta.put({ key: "seq", value: seq });
    }
    if (outing) {
      const held = await got(stores.outings.get(outing[0]));
      if (held) {
        outing[1](held);
        stores.outings.put(held);
      }
    }
  });
  tell();
  void drain();
}

// A refused record with its mended content, or one that differs with the version that was chosen.
export async function mend(id, alter) {
  await change(ALL, async (stores) => {
    const record = await got(stores.records.get(id));
    if (!record) return;
    const stays = alter(record, stores);
    if (stays === false) {
      stores.records.delete(id);
      stores.photos.delete(id);
    } else {
      stores.records.put({ ...record, state: "waiting", trouble: null, change: record.change + 1 });
    }
  });
  tell();
  void drain();
}

export async function counts(session = null) {
  const waiting = (await all("records")).filter((one) => !session || one.session === session);
  const confirmed = (await all("acknowledged")).filter((one) => !session || one.session === session);
  return {
    here: waiting.length,
    there: confirmed.length,
    refused: waiting.filter((one) => one.state !== "waiting").length,
  };
}

// Only one tab sends at a time. Plain http has no locks: a lease on disk does there.
async function alone(work) {
  if (navigator.locks) {
    return navigator.locks.request(`${NAME} drain`, { ifAvailable: true }, (lock) => (lock ? work() : null));
  }
  const me = `${performance.timeOrigin}-${Math.random()}`;
  const mine = await change(["meta"], async (stores) => {
    const lease = (await got(stores.meta.get("lease")))?.value;
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
let wait_ms = TIMER_MS;
let timer = 0;

// Send what waits, oldest first. Called at load, when the network or the page comes back, after each
// save, on a timer and on a button; calls while it runs make it run once more.
export async function drain() {
  if (running) {
    again = true;
    return;
  }
  running = true;
  try {
    do {
      again = false;
      await alone(sendAll);
    } while (again);
  } finally {
    running = false;
    link.sending = false;
    tell();
    clearTimeout(timer);
    timer = setTimeout(() => void drain(), link.trouble ? wait_ms : TIMER_MS);
  }
}

async function sendAll() {
  if (!(await all("records")).length && link.account && !link.trouble) return;
  const greeting = await greet();
  if (!greeting) return;
  const tried = new Set();
  for (;;) {
    const waiting = byAge(await all("records"));
    const keys = new Set(waiting.map((one) => one.id));
    const next = waiting.find(
      (one) => one.state === "waiting" && one.account === link.account &&
        !tried.has(`${one.id}/${one.change}`) && !one.needs.some((key) => keys.has(key)),
    );
    if (!next) break;
    tried.add(`${next.id}/${next.change}`);
    link.sending = true;
    tell();
    if (!(await send(next))) return;
  }
  if (link.trouble !== "other_account") link.trouble = "";
  wait_ms = TIMER_MS;
}

function stop(trouble) {
  link.trouble = trouble;
  wait_ms = Math.min(LONGEST_WAIT_MS, wait_ms * 1.5);
  return null;
}

// Who is signed in, and what the server's clock says, before anything is sent.
export async function greet() {
  const asked_ms = Date.now();
  const answer = await ask("field/greeting/");
  if (answer.kind !== "json") return stop(answer.kind);
  if (answer.status === 401 || answer.status === 403) return stop("signed_out");
  const told = answer.body;
  if (answer.status !== 200 || !told.account) return stop("portal");
  link.offset_ms = await noteContact(told.server_time, asked_ms, Date.now());
  if (told.format > OUR_FORMAT + 1) return stop("old");
  link.account = told.account.id;
  link.name = told.account.name;
  const known = await meta("account");
  const others = (await all("records")).some((one) => one.account && one.account !== link.account);
  if (known?.id !== link.account) await keepMeta("account", told.account);
  if (!told.account.may_log) return stop("reader");
  if (others) stop("other_account");
  else link.trouble = "";
  return told;
}

function resolved(record) {
  const payload = { ...record.payload };
  const stamps = {};
  for (const [name, one] of Object.entries(record.stamps)) {
    const added_ms = one.added_ms ?? correction(one, link.offset_ms);
    stamps[name] = { ...one, added_ms };
    payload[name] = new Date(one.wall_ms + added_ms).toISOString();
    if (record.kind === "sessions" && name === "started_at" && added_ms) payload.clock_correction_s = added_ms / 1000;
  }
  return [payload, stamps];
}

// True to go on with the next record, false to stop this round.
async function send(record) {
  const [payload, stamps] = resolved(record);
  // What is sent once is sent the same every time, also after a reply that never came.
  await change(["records"], async (stores) => {
    const now = await got(stores.records.get(record.id));
    if (now) stores.records.put({ ...now, tries: now.tries + 1, stamps: { ...now.stamps, ...stamps } });
  });
  const headers = { "X-Firnlog-Account": record.account, ...precondition(record) };
  const options = { method: record.action === "remove" ? "DELETE" : "PUT", headers };
  if (record.kind === "photos" && record.action === "put") {
    const photo = await read("photos", record.id);
    options.body = new FormData();
    for (const [name, value] of Object.entries(payload)) options.body.append(name, value);
    options.body.append("image", new Blob([photo.bytes], { type: photo.type }), "photo");
    options.timeout_ms = 240_000;
  } else if (record.action === "put") {
    // In the body too: what stands between may drop or rewrite the header.
    options.body = JSON.stringify(record.base ? { ...payload, version: record.base } : payload);
    headers["Content-Type"] = "application/json";
  }
  const answer = await ask(`${record.kind}/${record.id}/`, options);
  if (answer.kind !== "json") return Boolean(stop(answer.kind));
  const { status, body } = answer;
  if (status === 401 || (status === 403 && body?.code !== "other_account")) return Boolean(stop("signed_out"));
  if (status === 403) return Boolean(stop("other_account"));
  if (status === 408 || status === 429) return Boolean(stop("server"));
  const gone = record.action === "remove" && status === 404;
  if (gone || (status >= 200 && status < 300 && body?.id === record.id)) {
    await confirmed(record, answer, stamps);
  } else if (status === 412 || status === 428) {
    await refused(record, "differs", {
      sentence: body.detail, stored: body.stored ?? null, version: body.stored_version ?? "", sent: body.sent ?? payload,
    });
  } else if (status >= 400) {
    await refused(record, "refused", { sentence: "", fields: body ?? {} });
  } else return Boolean(stop("portal"));
  return true;
}

// What this phone takes the stored record to be. A record it knows no version of is never sent over
// another one: the server then answers with both.
function precondition({ action, base, fresh }) {
  if (base) return { "If-Match": base.includes('"') ? base : `"${base}"` };
  if (action === "remove") return {};
  return fresh ? { "If-None-Match": "*" } : { "If-Match": '"unknown"' };
}

async function confirmed(record, answer, stamps) {
  // The version stands in the body; the header ETag is changed or dropped by some of what stands between.
  const version = answer.body.version ?? "";
  await change(ALL, async (stores) => {
    const now = await got(stores.records.get(record.id));
    if (now && now.change === record.change) {
      stores.records.delete(record.id);
      stores.photos.delete(record.id);
    } else if (now) {
      // It was changed while it was on its way: what comes next starts from what is stored now.
      stores.records.put({ ...now, base: version, fresh: false });
    }
    if (record.action === "remove") stores.acknowledged.delete(record.id);
    else {
      const { id, kind, session, words, account } = record;
      stores.acknowledged.put({ id, kind, session, words, account, version });
    }
    const outing = record.kind === "sessions" && (await got(stores.outings.get(record.id)));
    if (outing) stores.outings.put({ ...outing, stamps: { ...outing.stamps, ...stamps } });
  });
  tell();
}

async function refused(record, state, trouble) {
  await change(["records"], async (stores) => {
    const now = await got(stores.records.get(record.id));
    if (now && now.change === record.change) stores.records.put({ ...now, state, trouble });
  });
  tell();
}

// Everything unsent as one file, which the server reads in: for a phone that will not get through.
export async function unsentFile() {
  const records = byAge(await all("records"));
  const account = await meta("account");
  const parts = [];
  for (const record of records) {
    const [payload] = record.payload ? resolved(record) : [null];
    const { id, kind, action, base, fresh, words } = record;
    const entry = { id, kind, action, base, fresh, words, payload };
    if (kind === "photos" && action === "put") {
      const photo = await read("photos", id);
      entry.bytes = await inBase64(photo);
    }
    parts.push(parts.length ? "," : "", JSON.stringify(entry));
  }
  const told = { firnlog: "unsent", format: 1, saved_at: new Date().toISOString(), account };
  const head = JSON.stringify(told).slice(0, -1);
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
