// Doubts that the server has of records it has stored: a sentence after saving, and what was probably meant.

import { button, el, feel, say } from "./elements.js";
import { keep } from "./queue.js";
import { tell } from "./signals.js";
import { change, meta, resultOf } from "./store.js";

const KEY = "doubts";

// Notes the doubts of records that the server has just confirmed; an answer without any ends earlier ones.
export async function noteDoubts(stores, answers) {
  const known = (await resultOf(stores.meta.get(KEY)))?.value ?? {};
  const noted = { ...known };
  for (const { record: { id, kind, session, words }, doubts, body: { id: _, version = "", ...stored } } of answers) {
    if (doubts.length) noted[id] = { kind, session, words, doubts, stored, version };
    else delete noted[id];
  }
  if (answers.some(({ record: { id }, doubts }) => doubts.length || known[id])) stores.meta.put({ key: KEY, value: noted });
  for (const session of new Set(answers.map(({ record }) => record.session).filter(Boolean))) {
    await noteFacts(stores, session, answers.filter(({ record }) => record.session === session));
  }
}

// Which values of a session on this phone are in doubt, also after the sentence was put away: what is left is reckoned
// with and without them (energy.js).
async function noteFacts(stores, session, answers) {
  const page = await resultOf(stores.outings.get(session));
  if (!page || !answers.some(({ record, doubts }) => doubts.length || page.doubted?.[record.id])) return;
  const doubted = { ...page.doubted };
  for (const { record: { id }, doubts } of answers) {
    const facts = [...new Set(doubts.flatMap((doubt) => doubt.facts))];
    if (facts.length) doubted[id] = facts;
    else delete doubted[id];
  }
  stores.outings.put({ ...page, doubted });
}

async function forget(id) {
  await change(["meta"], async (stores) => {
    const { [id]: _, ...others } = (await resultOf(stores.meta.get(KEY)))?.value ?? {};
    stores.meta.put({ key: KEY, value: others });
  });
  tell();
}

// What would explain a doubt, each once: one slip often breaks several rules.
function mendsOf(doubts) {
  const offered = new Map();
  for (const mend of doubts.flatMap((doubt) => doubt.mends)) offered.set(`${mend.field} ${mend.value}`, mend);
  return [...offered.values()];
}

async function set(id, entry, mend) {
  const payload = { [mend.field]: mend.value };
  const alter = (page) => {
    const shown = entry.kind === "sessions" ? page.session : page[entry.kind]?.find((record) => record.id === id);
    if (shown) Object.assign(shown, payload);
  };
  await keep([{
    id, kind: entry.kind, session: entry.session, words: `${entry.words}, set right`, payload,
    changed: [mend.field], base: entry.version, began: entry.stored,
  }], { outing: entry.session ? [entry.session, alter] : null });
  await forget(id);
}

export async function doubtNotice(app) {
  const entries = Object.entries((await meta(KEY)) ?? {});
  if (!entries.length) return null;
  const act = (work, words) => async () => {
    try {
      await work();
    } catch (error) {
      say(app.notSaved(error), { wrong: true });
      return;
    }
    feel();
    say(words);
    await app.render();
  };
  return el("section", { class: "notice", id: "doubts" },
    el("h2", {}, "Saved. Can this be?"),
    entries.map(([id, entry]) => el("div", { class: "doubt" },
      el("p", { class: "quiet" }, entry.words),
      entry.doubts.map((doubt) => el("p", {}, doubt.sentence)),
      mendsOf(entry.doubts).map((mend) => button(mend.words, act(() => set(id, entry, mend), `Set right on this phone: ${mend.words}`), { class: "act wide" })),
      button("Leave it; answer at the desk", act(() => forget(id), "Left as it is. The desk pages keep asking."), { class: "act quiet" }))));
}
