// Forms of records: what was typed is kept in this browser until it is saved, and what it says is shown while typing.
// Without this script the form works as well: it asks the server by its button, and keeps nothing.
import { DRAFTS } from "./drafts.js";

const form = document.querySelector("form.entry[data-draft]");
const LEFT_OUT = new Set(["csrfmiddlewaretoken", "began_from", "draft"]);

function typed() {
  const fields = {};
  for (const [name, value] of new FormData(form)) {
    if (typeof value === "string" && !LEFT_OUT.has(name)) (fields[name] ??= []).push(value);
  }
  return fields;
}

// --- The draft

const key = `${DRAFTS}${form.dataset.draft}:${location.pathname}${location.search.replace(/[?&](kept|chosen)=[^&]*/g, "")}`;
const asOpened = JSON.stringify(typed());
const token = crypto.getRandomValues(new Uint32Array(3)).join("z");

function kept() {
  try {
    return JSON.parse(localStorage.getItem(key));
  } catch {
    return null;
  }
}

function keepDraft() {
  const fields = typed();
  if (JSON.stringify(fields) === asOpened && !refused) return;
  try {
    localStorage.setItem(key, JSON.stringify({ token, at: new Date().toISOString(), fields }));
  } catch {
    // The browser's store is full or shut: the form itself still holds everything.
  }
}

function fill(fields) {
  for (const control of form.elements) {
    if (!control.name || control.type === "file" || control.type === "hidden" || control.tagName === "BUTTON") continue;
    if (LEFT_OUT.has(control.name)) continue;
    const values = fields[control.name] ?? [];
    if (control.type === "checkbox" || control.type === "radio") control.checked = values.includes(control.value);
    else if (control.tagName === "SELECT" && control.multiple) {
      for (const option of control.options) option.selected = values.includes(option.value);
    } else if (control.tagName === "SELECT" && values.length && ![...control.options].some((option) => option.value === values[0])) continue;
    else control.value = values[0] ?? "";
  }
}

function offer(draft) {
  const notice = document.createElement("div");
  notice.className = "notice draft";
  const at = new Date(draft.at);
  const words = document.createElement("p");
  const day = `${at.getFullYear()}-${String(at.getMonth() + 1).padStart(2, "0")}-${String(at.getDate()).padStart(2, "0")}`;
  const hour = `${String(at.getHours()).padStart(2, "0")}:${String(at.getMinutes()).padStart(2, "0")}`;
  words.textContent = `You began this on ${day} at ${hour} and did not save it. It is still in this browser.`;
  const buttons = document.createElement("div");
  buttons.className = "acts";
  for (const [label, act] of [
    ["Bring it back", () => fill(draft.fields)],
    ["Discard it", () => localStorage.removeItem(key)],
  ]) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "act";
    button.textContent = label;
    button.addEventListener("click", () => {
      act();
      notice.remove();
      form.dispatchEvent(new Event("input", { bubbles: true }));
      form.querySelector("input:not([type=hidden]), select, textarea")?.focus();
    });
    buttons.append(button);
  }
  notice.append(words, buttons);
  form.before(notice);
}

const refused = document.querySelector(".mistakes, .conflict, form .wrong") !== null;
const draft = kept();
if (draft && !refused && JSON.stringify(draft.fields) !== asOpened) offer(draft);
if (refused) keepDraft();

const mark = document.createElement("input");
mark.type = "hidden";
mark.name = "draft";
mark.value = token;
form.append(mark);

let waits = 0;
form.addEventListener("input", () => {
  clearTimeout(waits);
  waits = setTimeout(keepDraft, 300);
});
form.addEventListener("submit", () => {
  clearTimeout(waits);
  keepDraft();
});

// --- What it says

const names = new Map();
for (const echo of form.querySelectorAll(".echo")) names.set(echo.id.replace(/^id_(.*)_echo$/, "$1"), echo);
const rows = form.querySelector(".says .rows");
form.querySelector(".says .check")?.remove();

function line(className, text) {
  const paragraph = document.createElement("p");
  paragraph.className = className;
  paragraph.textContent = text;
  return paragraph;
}

function doubtLine(name, doubt) {
  const paragraph = line("doubted", `${doubt.sentence} `);
  for (const meant of doubt.offers) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "offer";
    button.textContent = `${meant.words}?`;
    button.addEventListener("click", () => {
      const control = form.elements[name];
      control.value = meant.text;
      control.dispatchEvent(new Event("input", { bubbles: true }));
      control.focus();
    });
    paragraph.append(button, " ");
  }
  return paragraph;
}

function row({ label, text, note }) {
  const list = document.createElement("dl");
  const parts = [["dt", label], ["dd", text], ["dd", note]];
  for (const [name, words] of parts.filter(([, words]) => words)) {
    const part = document.createElement(name);
    part.textContent = words;
    if (words === note) part.className = "note";
    list.append(part);
  }
  return list;
}

let asked = 0;
async function ask() {
  const number = ++asked;
  const data = new FormData();
  for (const [name, values] of Object.entries(typed())) for (const value of values) data.append(name, value);
  for (const name of ["csrfmiddlewaretoken", "began_from"]) {
    if (form.elements[name]) data.append(name, form.elements[name].value);
  }
  data.append("check", "script");
  let answer;
  try {
    const response = await fetch(location.href, { method: "POST", body: data, credentials: "same-origin" });
    if (!response.ok) return;
    answer = await response.json();
  } catch {
    return; // Without an answer the form stays as it is.
  }
  if (number !== asked) return;
  for (const [name, echo] of names) {
    const lines = [];
    if (answer.understood[name]) lines.push(line("understood", answer.understood[name]));
    if (answer.wrong[name]) lines.push(line("doubted", answer.wrong[name]));
    for (const doubt of answer.doubts[name] ?? []) lines.push(doubtLine(name, doubt));
    echo.replaceChildren(...lines);
  }
  if (rows) rows.replaceChildren(...answer.says.rows.map(row), ...answer.says.cautions.map((words) => line("caution", words)));
}

if (form.querySelector(".quantity") || rows) {
  let asks = 0;
  form.addEventListener("input", (event) => {
    if (event.target.type === "file") return;
    clearTimeout(asks);
    asks = setTimeout(ask, 700);
  });
  form.addEventListener("submit", () => clearTimeout(asks));
}
