// The queued records: why each waits, and what a person can do about it.

import { TROUBLES } from "./board.js";
import { storedCopies } from "./confirmed.js";
import { difference, gone } from "./differs.js";
import { button, clock, counted, el, feel, link, say } from "./elements.js";
import { signInAddress } from "./link.js";
import { copyOf } from "./places.js";
import { byAge, counts, keepHere, link as line, lostNow, mend, putBack, sendAgain } from "./queue.js";
import { drain } from "./sending.js";
import { all, change, read, storageNotice } from "./store.js";
import { unsentFile } from "./unsent.js";

// So many records are drawn at once; those that need a person come first.
const WINDOW = 40;
let drawn = WINDOW;

function windowOf(records) {
  const needs_person = (record) => !["waiting", "kept"].includes(record.state);
  return [...records.filter(needs_person), ...records.filter((record) => !needs_person(record))].slice(0, drawn);
}

export async function waitingScreen(app) {
  const records = byAge(await all("records"));
  const { confirmed } = await counts();
  const { lost } = await lostNow();
  const copies = await storedCopies();
  const { removed } = copies;
  const keys = new Set(records.map((record) => record.id));
  const needsSignIn = ["signed_out", "other_account"].includes(line.trouble);
  return [
    el("h1", {}, "Waiting"),
    el("p", { class: "queue", id: "queue" }, `On this phone ${records.length} · on the server ${confirmed}.${line.sending ? " Sending …" : ""}`),
    line.trouble && el("p", { class: "notice", id: "trouble" }, TROUBLES[line.trouble],
      line.trouble === "busy" && line.wait_until ? ` It waits until ${clock(line.wait_until)}.` : "",
      // Any page of this address shows what the network wants to be answered.
      line.trouble === "portal" && el("a", { class: "act wide", href: document.body.dataset.desk, target: "_blank", rel: "noopener" }, "Open the network's page")),
    await storageNotice(),
    needsSignIn && el("a", { class: "act wide first", href: signInAddress() }, "Sign in, then everything is sent"),
    await Promise.all(byParent(records).map((group) => lacking(app, group))),
    records.length ? el("ol", { class: "records" }, windowOf(records).map((record) => entry(app, record, keys))) : el("p", {}, `Nothing waits.${removed.length || lost ? "" : " Everything is on the server."}`),
    records.length > drawn && button(`Show ${Math.min(WINDOW, records.length - drawn)} more of ${records.length}`, async () => { drawn += WINDOW; await app.render(); }, { id: "more" }),
    copiesSection(app, copies),
    el("div", { class: "bottom stacked" },
      records.length > 0 && button("Send now", async () => { await drain({ at_once: true }); await app.render(); }, { class: "act first" }),
      records.length > 0 && button("Save to a file", () => void save(app)),
      link("Back", app.home())),
  ];
}

// Groups records by the missing parent they wait for.
function byParent(records) {
  const groups = new Map();
  for (const record of records.filter(({ state }) => state === "missing")) {
    const { parent } = record.trouble;
    groups.set(parent.id, { parent, records: [...(groups.get(parent.id)?.records ?? []), record] });
  }
  return [...groups.values()];
}

const KINDS = {
  passes: ["pass", "passes"], readings: ["reading or note", "readings and notes"], photos: ["photo"], "voice-notes": ["voice note"], "mark-taps": ["mark"], failures: ["failure"],
  "track-parts": ["part of the track", "parts of the track"], gates: ["gate"], sessions: ["session"],
  "go-no-go-checks": ["go/no-go check"], "test-card-items": ["point of a test card", "points of a test card"],
};

// Counts records by kind: "3 passes and 1 photo".
function counting(records) {
  const kinds = [...new Set(records.map((record) => record.kind))];
  return kinds.map((kind) => counted(records.filter((record) => record.kind === kind).length, ...(KINDS[kind] ?? ["record"]))).join(" and ");
}

async function lacking(app, { parent, records }) {
  const copy = await copyOf(parent);
  const { lost } = await lostNow();
  const deleted = parent.removed && !lost?.missing.includes(parent.id);
  const wrong = el("p", { class: "wrong", role: "alert" });
  const back = async () => {
    const words = await putBack(parent);
    if (words) {
      wrong.textContent = words;
      return;
    }
    feel();
    say(`The ${copy.noun} is restored; the records that waited for it are sent.`);
    await app.render();
  };
  return el("section", { class: "notice missing-parent" },
    el("p", {}, `The ${copy.noun} `, copy.name && el("em", {}, copy.name), copy.name && " ", deleted ? "was deleted at the desk. " : "is not on the server any more. ",
      `${counting(records)} ${records.length === 1 ? "waits" : "wait"} for it.`),
    copy.payload
      ? button("Restore it", () => void back(), { class: "act first wide" })
      : el("p", {}, `This phone has no copy of it. Make it again at the desk, or save the waiting records to a file.`),
    wrong);
}

function size(record) {
  const bytes = record.bytes ?? new Blob([JSON.stringify(record.payload ?? {})]).size;
  return bytes >= 100_000 ? `${(bytes / 1e6).toFixed(1)} MB` : `${Math.max(0.1, bytes / 1000).toFixed(1)} kB`;
}

function why(record, keys) {
  const foreign = line.account && record.account && record.account !== line.account;
  if (foreign) return "Written under another account; it waits until that person signs in here.";
  if (record.state === "kept") return "Kept on this phone. It is not sent until you say so.";
  if (record.state !== "waiting") return "";
  if (record.needs.some((key) => keys.has(key))) return "Waits for what it belongs to.";
  return record.trouble ? "" : "Waits for the network.";
}

function entry(app, record, keys) {
  const words = why(record, keys);
  const failing = record.state === "waiting" && record.trouble;
  return el("li", { class: failing ? "failing" : record.state },
    el("p", {}, el("strong", {}, record.words), / MB$/.test(record.words) ? "" : el("span", { class: "quiet" }, ` ${size(record)}`)),
    words && el("p", { class: "quiet" }, words),
    failing && el("p", { class: "wrong" }, failed(record)),
    record.state === "refused" && refusal(app, record),
    record.state === "differs" && record.trouble.stored && difference(app, record),
    (record.state === "gone" || (record.state === "differs" && !record.trouble.stored)) && gone(app, record),
    (failing || record.state === "kept") && row(app, record, { again: true }),
    record.state === "missing" && el("details", {}, el("summary", {}, "Keep, save or delete"), row(app, record, { throws: true })));
}

const NETWORK = {
  offline: "The connection broke off each time it was sent",
  cut: "Each time it was sent, the answer was cut off on the way",
  portal: "Each time it was sent, another page answered in the server's place",
  server: "Each time it was sent, a proxy answered in the server's place",
};

function failed({ trouble, failures, retry_at }) {
  const status = trouble.status ? ` (${trouble.status})` : "";
  const what = trouble.network ? `${NETWORK[trouble.network]}${status}.` : `The server failed on it${status}${failures > 1 ? `, ${failures} times` : ""}.`;
  return `${what} It is tried again automatically at ${clock(retry_at)}; the others are sent.`;
}

function row(app, record, { again = false, throws = false } = {}) {
  const act = (label, work, words) => button(label, () => void (async () => {
    await work();
    feel();
    if (words) say(words);
    await app.render();
  })());
  return el("div", { class: "row" },
    again && act("Try again", () => mend(record.id), "It is sent again."),
    record.state !== "kept" && act("Keep it here", () => keepHere(record.id), "Kept on this phone; it is not sent until you say so."),
    button("Save it to a file", () => void save(app, record.id)),
    throws && button("Delete it", () => void throwAway(app, record)));
}

// The server's errors beside the fields they name, with the sent values, to be corrected.
function refusal(app, record) {
  const { fields, sentence, status } = record.trouble;
  const sentences = Object.entries(fields).map(([name, words]) => [name, flat(words)]);
  const inputs = sentences.filter(([name]) => record.payload && name in record.payload && !Array.isArray(record.payload[name]))
    .map(([name, words]) => el("div", { class: "field" },
      el("label", { for: `mend-${record.id}-${name}` }, name.replaceAll("_", " ")),
      el("input", { id: `mend-${record.id}-${name}`, name, value: String(record.payload[name] ?? "") }),
      el("p", { class: "wrong" }, words)));
  const others = sentences.filter(([name]) => !(record.payload && name in record.payload) || Array.isArray(record.payload?.[name]));
  const large = status === 413;
  const entryForm = el("form", { class: "entry", novalidate: true, onsubmit: (event) => {
    event.preventDefault();
    void (async () => {
      await mend(record.id, (mended) => {
        for (const [name, value] of new FormData(entryForm)) {
          mended.payload[name] = value === "" ? null : value;
          if (mended.changed) mended.changed = [...new Set([...mended.changed, name])];
        }
      });
      feel();
      say("It is sent again.");
      await app.render();
    })();
  } },
    el("p", { class: "wrong" }, large
      ? `Refused as too large (${size(record)}, 413), by the server or a proxy before it. ${sentence || "Saved to a file, it can be imported at the desk."}`
      : `The server refused it. ${sentence}`),
    others.map(([name, words]) => el("p", { class: "wrong" }, name === "detail" || name === "non_field_errors" ? words : `${name.replaceAll("_", " ")}: ${words}`)),
    inputs,
    el("button", { class: "act first" }, inputs.length ? "Send the correction" : "Try again"));
  return [entryForm, row(app, record, { throws: true })];
}

function flat(words) {
  if (Array.isArray(words)) return words.map(flat).join(" ");
  if (words && typeof words === "object") return Object.values(words).map(flat).join(" ");
  return String(words);
}

// Deletes a queued record, with Undo.
async function throwAway(app, record) {
  const photo = await read("photos", record.id);
  await mend(record.id, () => false);
  say(`Deleted: ${record.words}.`, {
    undo: async () => {
      await change(["records", "photos"], async ({ records, photos }) => {
        records.put(record);
        if (photo) photos.put(photo);
      });
      await app.render();
    },
  });
  await app.render();
}

// The copies of confirmed records on this phone, and those deleted at the desk.
function copiesSection(app, { records, photos, whole, bytes, removed }) {
  if (!records) return null;
  const pictures = photos ? `, ${counted(photos, "photo")} among them: ${whole === photos ? "" : `${whole} with the picture (the others had to make room), `}${(bytes / 1e6).toFixed(1)} MB` : "";
  const again = async () => {
    const { queued } = await sendAgain(removed.map((record) => record.id));
    feel();
    say(`${counted(queued, "record")} restored.`);
    await app.render();
  };
  return [
    el("p", { class: "quiet small", id: "kept" }, `For 30 days this phone keeps what the server has confirmed: ${counted(records, "record")}${pictures}.`),
    removed.length > 0 && el("details", { id: "removed" },
      el("summary", {}, `${counted(removed.length, "confirmed record")} ${removed.length === 1 ? "is" : "are"} not on the server: ${whyRemoved(removed)}`),
      el("ul", {}, removed.map((record) => el("li", {}, record.words))),
      button(removed.length === 1 ? "Restore it" : "Restore them", () => void again())),
  ];
}

function whyRemoved(removed) {
  const reasons = { desk: "deleted at the desk", left: "left out after the server lost records" };
  return [...new Set(removed.map((record) => reasons[record.removed]))].join(", or ");
}

async function save(app, id = null) {
  try {
    const { count, file } = await unsentFile(id);
    const address = URL.createObjectURL(file);
    const day = new Date().toISOString().slice(0, 16).replace(/[:T]/g, "-");
    el("a", { href: address, download: `firnlog-unsent-${day}.json` }).click();
    setTimeout(() => URL.revokeObjectURL(address), 60_000);
    say(`${counted(count, "record")} in a file, ${clock(Date.now())}. ${count === 1 ? "It stays" : "They stay"} on this phone too; import the file under Settings at the desk.`);
  } catch (error) {
    say(app.notSaved(error), { wrong: true });
  }
}
