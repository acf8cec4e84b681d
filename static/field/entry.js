// Entry fields for a gloved hand. Typed text is stored as a draft, so that nothing is lost before it is saved.

import { inChosenSign } from "./decimal_sign.js";
import { el } from "./elements.js";
import { bare, capital, lengthOfTime, readQuantity } from "./numbers.js";
import { reference } from "./outing.js";
import { change, read } from "./store.js";

// A form that restores its draft, also after the browser was closed.
export async function form(key, act, ...children) {
  const entryForm = el("form", { class: "entry", novalidate: true, autocomplete: "off" }, children);
  let newest = null;
  let writing = false;
  entryForm.addEventListener("submit", (event) => {
    event.preventDefault();
    // A pending draft must not be written after the form is saved.
    newest = null;
    void act(entryForm);
  });
  // The keypad's key leads on to the next field; only the last one saves.
  entryForm.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !event.target.closest?.(".quantity")) return;
    const fields = [...entryForm.querySelectorAll(".quantity input")].filter((field) => field.offsetParent);
    const next = fields[fields.indexOf(event.target) + 1];
    if (!next) return;
    event.preventDefault();
    next.focus();
  });
  const draft = await read("drafts", key);
  // The stored and the shown values when typing began.
  entryForm.began = draft?.began ?? null;
  for (const [name, value] of Object.entries(draft?.values ?? {})) {
    for (const field of entryForm.elements[name] instanceof RadioNodeList ? entryForm.elements[name] : [entryForm.elements[name]]) {
      if (!field) continue;
      if (field.type === "radio" || field.type === "checkbox") field.checked = field.value === value;
      else field.value = value;
    }
  }
  entryForm.addEventListener("input", () => {
    newest = Object.fromEntries(new FormData(entryForm));
    if (!writing) void write();
  });
  // Writes only the newest draft: fast typing must not build up a queue.
  const write = async () => {
    writing = true;
    while (newest) {
      const values = newest;
      newest = null;
      await change(["drafts"], async ({ drafts }) => { drafts.put({ key, values, began: entryForm.began }); }, "relaxed").catch(() => {});
    }
    writing = false;
  };
  return entryForm;
}

export async function draftOf(key) {
  return (await read("drafts", key))?.values ?? {};
}

// The names of a screen's fields. An older server does not send them; then all fields are shown.
export function fieldNames(kind, screen) {
  const fields = reference.data.fields[kind];
  const onScreen = fields.filter((field) => field.phone === screen);
  return (onScreen.length ? onScreen : fields).map((field) => field.name);
}

export function quantityField(kind, name) {
  return reference.data.fields[kind].find((field) => field.name === name);
}

// One press of a stepper, in the unit shown.
const STEPS = { voltage: 0.1, current: 1, charge: 0.1, temperature: 1, trip: 0.1, thickness: 1, mass: 1, runtime: 1 };

// The field of a quantity: decimal keypad, unit, a sign button if it may be negative, and its last value. With
// `steps_from`, steppers that begin at that value.
export function quantity(field, { value = null, last = "", autofocus = false, steps_from = null } = {}) {
  const { units } = reference.data;
  const id = `in-${field.name}`;
  const input = el("input", {
    id, name: field.name, inputmode: "decimal", enterkeyhint: "next", value: bare(value, field.kind, units), autofocus,
    "aria-describedby": `${id}-wrong ${id}-last`,
  });
  const signed = field.low === null || field.low < 0;
  const written_in = (text) => {
    input.value = text;
    input.dispatchEvent(new Event("input", { bubbles: true }));
  };
  const step = (sign) => {
    const by = STEPS[field.kind] ?? 1;
    const from = Number(bare(steps_from, field.kind, units).replace(",", "."));
    const typed = Number(input.value.replace(",", ".").replace("−", "-"));
    const now = input.value.trim() ? typed : from;
    if (Number.isFinite(now)) written_in(inChosenSign(String(Number((now + sign * by).toFixed(3)))));
  };
  const is_clock = field.kind === "runtime";
  const turn = () => {
    const text = input.value.trim();
    input.value = /^[-−]/.test(text) ? text.slice(1) : `-${text}`;
    input.dispatchEvent(new Event("input", { bubbles: true }));
    input.focus();
  };
  return el("div", { class: "field" },
    el("label", { for: id }, capital(field.label)),
    el("div", { class: "quantity" },
      signed && el("button", { type: "button", class: "sign", onclick: turn, "aria-label": `Turn the sign of ${field.label}` }, "±"),
      input,
      el("span", { class: "unit" }, units[field.kind].label)),
    steps_from !== null && el("div", { class: "steps" },
      [[-1, "−"], [1, "+"]].map(([sign, label]) => el("button", {
        type: "button", class: "act", onclick: () => step(sign), "aria-label": `${capital(field.label)}: one step ${sign < 0 ? "down" : "up"} from ${last || "here"}`,
      }, label)),
      el("p", { class: "last", id: `${id}-last` }, last)),
    steps_from === null && el("p", { class: "last", id: `${id}-last` }, last),
    is_clock && clockLine(input, written_in, units),
    el("p", { class: "wrong", id: `${id}-wrong` }));
}

// Says which of its two readings a clock has, and offers the other.
function clockLine(input, write, units) {
  const line = el("p", { class: "last clock", role: "status" });
  const show = () => {
    const clock = /^\s*(\d{1,3}):([0-5]\d)\s*$/.exec(input.value);
    line.replaceChildren();
    if (!clock) return;
    const [first, second] = clock.slice(1).map(Number);
    line.append(`${lengthOfTime(3600 * first + 60 * second)}. `, el("button", { type: "button", class: "act", onclick: () => {
      write(bare(60 * first + second, "runtime", units));
      show();
    } }, `${first} min ${second} s was meant`));
  };
  input.addEventListener("input", show);
  return line;
}

// The values of the fields in stored units; null for empty ones. If a field cannot be read, marks it and returns null.
export function quantitiesOf(entryForm, fields) {
  const values = {};
  let first = null;
  for (const field of fields) {
    const input = entryForm.elements[field.name];
    if (!input) continue;
    const wrong = entryForm.querySelector(`#in-${field.name}-wrong`);
    wrong.textContent = "";
    input.removeAttribute("aria-invalid");
    try {
      values[field.name] = readQuantity(input.value, field, reference.data.units);
    } catch (error) {
      wrong.textContent = error.message;
      input.setAttribute("aria-invalid", "true");
      first ??= input;
    }
  }
  first?.focus();
  return first ? null : values;
}

export function choices(name, legend, options, { chosen = "", wide = false } = {}) {
  return el("fieldset", { class: wide ? "choices wide" : "choices" },
    el("legend", {}, legend),
    options.map(([value, label]) => el("label", { class: "choice" },
      el("input", { type: "radio", name, value, checked: String(value) === String(chosen) }), el("span", {}, label))));
}

export function text(name, label, { value = "", rows = 0, most = 500, hint = "" } = {}) {
  const id = `in-${name}`;
  const attributes = { id, name, maxlength: most, "aria-describedby": hint ? `${id}-hint` : null };
  return el("div", { class: "field" }, el("label", { for: id }, label),
    rows ? el("textarea", { ...attributes, rows }, value) : el("input", { ...attributes, value }),
    hint && el("p", { class: "last", id: `${id}-hint` }, hint));
}
