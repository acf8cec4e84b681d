// What the queue lets the page know, and how the page asks it to send.

import { NAME } from "./store.js";

// Why nothing is being sent just now; "" while there is no such reason.
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

// Something new waits: the page hears of it, and it is sent.
export function wake() {
  tell();
  void send();
}
