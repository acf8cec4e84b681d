// A note and a photo.

import { undo } from "./editing.js";
import { form, text } from "./entry.js";
import { el, feel, link, say } from "./elements.js";
import { addPhoto, addReading } from "./outing.js";

export async function noteScreen(app, outing) {
  const key = `note/${outing.id}`;
  const entryForm = await form(key, async (filled) => {
    const note = filled.elements.note.value.trim();
    const wrong = document.getElementById("note-wrong");
    if (!note) {
      wrong.textContent = "Write a word or two first, for example: chain is louder than before.";
      return;
    }
    let id;
    try {
      id = await addReading(outing, { note }, `Note: ${note.slice(0, 60)}`);
    } catch (error) {
      wrong.textContent = app.notSaved(error);
      return;
    }
    feel();
    say("Note saved on this phone.", { undo: async () => { await undo(outing, "readings", id); await app.render(); } });
    app.go("board");
  },
    text("note", "Note", { rows: 4, most: 500 }),
    el("p", { class: "wrong", id: "note-wrong", role: "alert" }),
    el("div", { class: "bottom" }, link("Board", "board"), link("Voice note", "voice"), el("button", { class: "act first" }, "Save note")));
  return [el("h1", {}, "Note"), entryForm];
}

export async function photoScreen(app, outing, failure = null) {
  const subject = outing.failures.find((entry) => entry.id === failure);
  const wrong = el("p", { class: "wrong", role: "alert" });
  const take = async (event) => {
    const [file] = event.target.files;
    if (!file) return;
    wrong.textContent = "";
    let id;
    try {
      id = await addPhoto(outing, file, { failure: subject?.id ?? null });
    } catch (error) {
      wrong.textContent = app.notSaved(error);
      event.target.value = "";
      return;
    }
    feel();
    say(`Photo of ${(file.size / 1e6).toFixed(1)} MB saved on this phone.`, {
      undo: async () => { await undo(outing, "photos", id); await app.render(); },
    });
    app.go("board");
  };
  const input = (id, label, extra) => el("label", { class: "act first file", for: id }, label,
    el("input", { id, type: "file", accept: "image/jpeg,image/png,image/webp", onchange: (event) => void take(event), ...extra }));
  return [
    el("h1", {}, subject ? `Photo of ${subject.mode_name}` : "Photo"),
    el("p", {}, "The whole photo is stored on this phone and sent when there is a network. The server removes data on place and camera."),
    wrong,
    el("div", { class: "bottom stacked" }, input("camera", "Take a photo", { capture: "environment" }), input("gallery", "Choose one", {}), link("Board", "board")),
  ];
}
