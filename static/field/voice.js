// A voice note, kept as sound. Each few seconds of it are on the phone's disk, so that a page that dies keeps them.

import { keepAwake, letSleep } from "./awake.js";
import { undo } from "./editing.js";
import { button, el, feel, link, newKey, say } from "./elements.js";
import { tie } from "./outing.js";
import { keep } from "./queue.js";
import { nextPlace, noteTap, runtime_s } from "./session_clock.js";
import { change, read } from "./store.js";

const LONGEST_S = 180;
const LARGEST_BYTES = 8 * 1024 * 1024;
const PART_MS = 3_000;
const SPEECH_BITS_PER_S = 24_000;
const TYPES = ["audio/webm;codecs=opus", "audio/mp4", "audio/ogg;codecs=opus"];

let running = null;

const draftKey = (outing) => `voice/${outing.id}`;

export async function addVoiceNote(outing, { parts, type, began_s, duration_s }) {
  const bytes = await new Blob(parts).arrayBuffer();
  if (!bytes.byteLength) throw new RangeError("The phone recorded nothing. Try again.");
  if (bytes.byteLength > LARGEST_BYTES) throw new RangeError("The recording is larger than the 8 MB that the server takes. Record a shorter one.");
  const id = newKey();
  const payload = { session: outing.id, time_into_session_s: began_s, duration_s, caption: "", sequence: nextPlace(outing) };
  const words = `Voice note, ${Math.round(duration_s)} s`;
  await keep([{ id, kind: "voice-notes", session: outing.id, needs: [outing.id], payload, words }], {
    photos: [{ id, bytes, type: type.split(";")[0] }],
    outing: [outing.id, (page) => {
      (page["voice-notes"] ??= []).push({ id, words, ...payload });
      noteTap(page, payload);
    }],
    draft: draftKey(outing),
  });
  return id;
}

async function begin(app, outing) {
  const stream = await navigator.mediaDevices.getUserMedia({ audio: true });
  const type = TYPES.find((candidate) => MediaRecorder.isTypeSupported(candidate)) ?? "";
  const recorder = new MediaRecorder(stream, { ...(type ? { mimeType: type } : {}), audioBitsPerSecond: SPEECH_BITS_PER_S });
  await tie(outing);
  const draft = { key: draftKey(outing), parts: [], type: "", began_s: runtime_s(outing), duration_s: 0 };
  const began_ms = performance.now();
  let writing = Promise.resolve();
  recorder.addEventListener("dataavailable", ({ data }) => {
    writing = writing.then(async () => {
      if (!data.size) return;
      draft.parts.push(await data.arrayBuffer());
      draft.type = recorder.mimeType || data.type;
      draft.duration_s = (performance.now() - began_ms) / 1000;
      await change(["drafts"], async ({ drafts }) => { drafts.put(draft); });
    }).catch((error) => say(app.notSaved(error), { wrong: true }));
  });
  const stopped = new Promise((resolve) => { recorder.addEventListener("stop", resolve); });
  recorder.start(PART_MS);
  void keepAwake("voice");
  const limit = setTimeout(() => void stop(app), 1000 * LONGEST_S);
  running = { outing, began_ms, async end() {
    clearTimeout(limit);
    if (recorder.state !== "inactive") recorder.stop();
    await stopped;
    await writing;
    for (const track of stream.getTracks()) track.stop();
    await letSleep("voice");
    return draft;
  } };
}

// Ends the recording and saves it.
async function stop(app) {
  const ending = running;
  running = null;
  if (!ending) return;
  await save(app, ending.outing, await ending.end());
}

async function save(app, outing, draft) {
  const id = await addVoiceNote(outing, draft);
  feel();
  say(`Voice note of ${Math.round(draft.duration_s)} s saved on this phone.`, { undo: async () => { await undo(outing, "voice-notes", id); await app.render(); } });
  if (location.hash === "#voice") app.go("board");
}

// Leaving the screen ends the recording, and keeps it. Where that fails, its parts stay and are offered again.
export async function leaveVoice(app) {
  if (running) await stop(app).catch((error) => say(app.notSaved(error), { wrong: true }));
}

export async function voiceScreen(app, outing) {
  const wrong = el("p", { class: "wrong", role: "alert" });
  const attempt = (work) => async () => {
    wrong.textContent = "";
    try {
      await work();
    } catch (error) {
      wrong.textContent = error instanceof RangeError ? error.message
        : error?.name === "NotAllowedError" ? "The phone does not allow this page to use the microphone."
          : error?.name === "NotFoundError" ? "This phone has no microphone." : app.notSaved(error);
    }
  };
  const left = running ? null : await read("drafts", draftKey(outing));
  const time = el("p", { class: "figure", id: "recorded", role: "timer" });
  const tick = () => {
    if (!running) return;
    time.textContent = `${Math.floor((performance.now() - running.began_ms) / 1000)} s of ${LONGEST_S}`;
    setTimeout(() => { if (time.isConnected) tick(); }, 250);
  };
  tick();
  const can = globalThis.MediaRecorder && navigator.mediaDevices?.getUserMedia;
  return [
    el("h1", {}, "Voice note"),
    el("p", {}, `Kept as sound on this phone, and played in the session's page. At most ${LONGEST_S / 60} minutes; wind is loud, so speak close.`),
    running ? time : null, wrong,
    left?.parts.length && el("section", { class: "notice", id: "cut-off" }, el("p", {}, `A recording of ${Math.round(left.duration_s)} s was cut off when the page closed.`),
      el("div", { class: "row" }, button("Save it", attempt(() => save(app, outing, left))), button("Delete it", attempt(async () => { await app.forget(left.key); await app.render(); })))),
    el("div", { class: "bottom stacked" },
      !can ? el("p", { class: "caution" }, "This browser records no sound, or only over HTTPS. Write a note instead.")
        : running ? button("Stop and save", attempt(() => stop(app)), { class: "act first", id: "stop" })
          : button("Record", attempt(async () => { await begin(app, outing); await app.render(); }), { class: "act first", id: "record", disabled: Boolean(left?.parts.length) }),
      link("Write a note", "note"), link("Board", "board")),
  ];
}
