// Signals between the queue and the page.

import { NAME } from "./store.js";

// `trouble` is the reason why nothing is sent now, or "".
export const link = { trouble: "", account: null, name: "", offset_ms: 0, sending: false };

const listeners = new Set();
const otherTabs = "BroadcastChannel" in globalThis ? new BroadcastChannel(NAME) : null;
if (otherTabs) otherTabs.onmessage = () => tell(false);

export function onChange(listener) {
  listeners.add(listener);
}

export function tell(others = true) {
  for (const listener of listeners) listener();
  if (others) otherTabs?.postMessage("changed");
}

let send = () => {};

export function sendsBy(work) {
  send = work;
}

// Tells the page about a new record and starts sending.
export function wake() {
  tell();
  void send();
}
