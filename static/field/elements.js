// Builds the page's elements and shows messages.

import { inChosenSign } from "./decimal_sign.js";

export function el(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "value") element.value = value;
    else if (value === true) element.setAttribute(name, "");
    else element.setAttribute(name, name === "aria-label" ? inChosenSign(value) : value);
  }
  const parts = children.flat(9).filter((child) => child !== null && child !== undefined && child !== false);
  // What somebody wrote stays as it is.
  element.append(...parts.map((part) => (typeof part === "string" && tag !== "textarea" ? inChosenSign(part) : part)));
  return element;
}

export function button(label, act, attributes = {}) {
  return el("button", { type: "button", class: "act", onclick: act, ...attributes }, label);
}

export function link(label, screen, attributes = {}) {
  return el("a", { class: "act", href: `#${screen}`, ...attributes }, label);
}

// Vibrates where the phone can, as feedback for a hand in a glove.
export function feel(kind = "good") {
  navigator.vibrate?.(kind === "good" ? 60 : [80, 60, 80]);
}

let clearing = 0;

export function counted(number, singular, several = `${singular}s`) {
  return `${number} ${number === 1 ? singular : several}`;
}

// Turn-back guards a person: a message stands below it, or above the mark button, and never over either. While riding,
// an error that stays until it is closed stands above the buttons too, over the lesser figures: the next tap is free.
export function placeMessage() {
  const message = document.getElementById("said");
  if (!message) return; // The first page has no messages, and reads this module for what waits on the phone.
  const dock = document.querySelector("#field .dock");
  const guarded = document.querySelector("#field .strip");
  const free = document.querySelector("#field.ride > .bottom") ?? dock;
  message.style.bottom = dock ? `${innerHeight - Math.max(free.getBoundingClientRect().top, message.offsetHeight)}px` : "auto";
  message.style.top = dock ? "auto" : `${Math.max(0, guarded?.getBoundingClientRect().bottom ?? 0)}px`;
}
globalThis.addEventListener?.("scroll", placeMessage, { passive: true });
globalThis.addEventListener?.("resize", placeMessage);

// A message for the person: what was saved or what went wrong, with Undo if given.
export function say(text, { undo = null, wrong = false } = {}) {
  const place = document.getElementById("said");
  clearTimeout(clearing);
  place.className = wrong ? "wrong" : "good";
  const back = undo ? [button("Undo", async () => { hush(); await undo(); }, { class: "act undo" })] : [];
  place.replaceChildren(el("p", {}, text), ...back, button("Close", hush, { class: "act quiet" }));
  placeMessage();
  if (!wrong) clearing = setTimeout(hush, undo ? 15_000 : 6_000);
}

export function hush() {
  document.getElementById("said").replaceChildren();
}

export function clock(ms) {
  return new Date(ms).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
}

// A random UUID. Plain http has no crypto.randomUUID.
export function newKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
  return `${hex.slice(0, 8)}-${hex.slice(8, 12)}-${hex.slice(12, 16)}-${hex.slice(16, 20)}-${hex.slice(20)}`;
}
