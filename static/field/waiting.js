// What waits on this phone, why, and what a person can do about it.

import { button, el, feel, link, say, clock } from "./elements.js";
import { signInAddress } from "./link.js";
import { byAge, counts, drain, link as line, mend, unsentFile } from "./queue.js";
import { TROUBLES } from "./board.js";
import { all, change, read } from "./store.js";

export async function waitingScreen(app) {
  const records = byAge(await all("records"));
  const { there } = await counts();
  const keys = new Set(records.map((one) => one.id));
  const needsSignIn = ["signed_out", "other_account"].includes(line.trouble);
  return [
    el("h1", {}, "Waiting"),
    el("p", { class: "queue", id: "queue" }, `On this phone ${records.length} · on the server ${there}.${line.sending ? " Sending …" : ""}`),
    line.trouble && el("p", { class: "notice", id: "trouble" }, TROUBLES[line.trouble]),
    needsSignIn && el("a", { class: "act wide first", href: signInAddress() }, "Sign in, then everything is sent"),
    records.length ? el("ol", { class: "records" }, records.map((record) => entry(app, record, keys))) : el("p", {}, "Nothing waits. Everything is on the server."),
    el("div", { class: "bottom stacked" },
      records.length > 0 && button("Send now", async () => { await drain(); await app.render(); }, { class: "act first" }),
      records.length > 0 && button("Save to a file", () => void save(app)),
      link("Back", app.home())),
  ];
}

function entry(app, record, keys) {
  const waitsFor = record.needs.some((key) => keys.has(key));
  const foreign = line.account && record.account && record.account !== line.account;
  const why = foreign ? "Written under another account; it waits until that person signs in here."
    : record.state === "waiting" ? (waitsFor ? "Waits for what it belongs to." : "Waits for the network.") : "";
  return el("li", { class: record.state },
    el("p", {}, el("strong", {}, record.words)),
    why && el("p", { class: "quiet" }, why),
    record.state === "refused" && refusal(app, record),
    record.state === "differs" && difference(app, record));
}

// The server's sentence beside each field it names, with what was sent, to be mended.
function refusal(app, record) {
  const { fields, sentence } = record.trouble;
  const said = Object.entries(fields).map(([name, words]) => [name, flat(words)]);
  const inputs = said.filter(([name]) => record.payload && name in record.payload && !Array.isArray(record.payload[name]))
    .map(([name, words]) => el("div", { class: "field" },
      el("label", { for: `mend-${record.id}-${name}` }, name.replaceAll("_", " ")),
      el("input", { id: `mend-${record.id}-${name}`, name, value: String(record.payload[name] ?? "") }),
      el("p", { class: "wrong" }, words)));
  const others = said.filter(([name]) => !(record.payload && name in record.payload) || Array.isArray(record.payload?.[name]));
  const made = el("form", { class: "entry", novalidate: true, onsubmit: (event) => {
    event.preventDefault();
    void (async () => {
      await mend(record.id, (held) => {
        for (const [name, value] of new FormData(made)) held.payload[name] = value === "" ? null : value;
      });
      feel();
      say("Mended; it is sent again.");
      await app.render();
    })();
  } },
    el("p", { class: "wrong" }, `The server refused it. ${sentence}`),
    others.map(([name, words]) => el("p", { class: "wrong" }, name === "detail" || name === "non_field_errors" ? words : `${name.replaceAll("_", " ")}: ${words}`)),
    inputs,
    el("div", { class: "row" },
      el("button", { class: "act first" }, inputs.length ? "Send it mended" : "Send it again"),
      button("Throw it away", () => void throwAway(app, record))));
  return made;
}

function flat(words) {
  if (Array.isArray(words)) return words.map(flat).join(" ");
  if (words && typeof words === "object") return Object.values(words).map(flat).join(" ");
  return String(words);
}

// Thrown away, and back with Undo while the line is shown.
async function throwAway(app, record) {
  const photo = await read("photos", record.id);
  await mend(record.id, () => false);
  say(`Thrown away: ${record.words}.`, {
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

// The same record, changed here and elsewhere: both stand side by side and a person chooses.
function difference(app, record) {
  const { stored, sent, version, sentence } = record.trouble;
  const names = Object.keys({ ...sent, ...stored }).filter((name) => name !== "id" && JSON.stringify(sent?.[name]) !== JSON.stringify(stored?.[name]));
  const choose = (mine) => void (async () => {
    await mend(record.id, (held, stores) => {
      if (mine) {
        Object.assign(held, { base: version, fresh: !version });
        return true;
      }
      const { id, kind, session, words, account } = held;
      if (version) stores.acknowledged.put({ id, kind, session, words, account, version });
      return false;
    });
    feel();
    say(mine ? "Yours is sent." : "The server's stays.");
    await app.render();
  })();
  return el("div", { class: "differs" },
    el("p", { class: "wrong" }, sentence),
    stored
      ? el("table", {}, el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "Field"), el("th", { scope: "col" }, "Yours"), el("th", { scope: "col" }, "On the server"))),
          el("tbody", {}, names.map((name) => el("tr", {}, el("th", { scope: "row" }, name.replaceAll("_", " ")), el("td", {}, shown(sent?.[name])), el("td", {}, shown(stored[name]))))))
      : el("p", {}, "On the server it was removed."),
    el("div", { class: "row" }, button("Keep mine", () => choose(true), { class: "act first" }), button("Keep the server's", () => choose(false))));
}

function shown(value) {
  return value === null || value === undefined || value === "" ? "empty" : typeof value === "object" ? JSON.stringify(value) : String(value);
}

async function save(app) {
  try {
    const { count, file } = await unsentFile();
    const address = URL.createObjectURL(file);
    const day = new Date().toISOString().slice(0, 16).replace(/[:T]/g, "-");
    el("a", { href: address, download: `firnlog-unsent-${day}.json` }).click();
    setTimeout(() => URL.revokeObjectURL(address), 60_000);
    say(`${count} records in a file, ${clock(Date.now())}. They stay on this phone too; read the file in under More at the desk.`);
  } catch (error) {
    say(app.notSaved(error), { wrong: true });
  }
}
