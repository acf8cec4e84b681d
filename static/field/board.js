// The board: the few large buttons of a running session, and the strip above every screen.

import { button, clock, counted, el, link } from "./elements.js";
import { alarmsOfOuting, shown } from "./limits.js";
import { lengthOfTime, written } from "./numbers.js";
import { redrawRiding } from "./riding.js";
import { cardsOf, energyState, reference, revisionOf, setWay } from "./outing.js";
import { counts, link as line } from "./queue.js";
import { atLeast_s, clockWords, runtime_s } from "./session_clock.js";
import { toggleTrack, trackWords } from "./track.js";

export const TROUBLES = {
  offline: "No network. Everything stays on this phone and is sent later.",
  portal: "The network answers with a page of its own; a Wi-Fi may want you to accept its terms first. Nothing was sent.",
  cut: "The answer was cut off on the way; what was sent may be stored already. It is sent again, and stored once.",
  busy: "The server asks for a pause. Sending goes on by itself.",
  server: "The server does not answer properly. Sending is tried again automatically.",
  signed_out: "Signed out. Sign in again and what waits is sent.",
  other_account: "Somebody else is signed in. What another person wrote waits for that person.",
  reader: "This account may read but not log. What waits is sent once it may.",
  old: "This page is too old for the server. Take the new version, then everything is sent.",
};

// The figures a rider must know, above every screen. The board also shows how each figure is known.
export function strip(outing, { whole = false } = {}) {
  const { units } = reference.data;
  const { read, left, at_most, turn, way, since_s, words } = energyState(outing);
  // The board explains this below the figures. Both labels have the same length, so that nothing below moves.
  const turning = way.silent_s && turn && !whole ? "Turn back, counted" : "Turn back after";
  const slept = atLeast_s(outing);
  const began = outing.ended_ms ? "ended" : `since ${clock(outing.started_ms)}`;
  const gauges = [
    ["Runtime", el("span", { id: "runtime" }, lengthOfTime(runtime_s(outing))),
      slept === null ? began : `${began}, or ${lengthOfTime(slept)}: the phone slept, or its time was set`],
    ["Charge used", read ? written(read.charge_used_ah, "charge", units) : "–", read ? `read off ${lengthOfTime(since_s)} ago` : "needs a reading"],
    [at_most ? "Energy left at most" : "Energy left", left ? written(left.value, "energy", units, left.u) : "–", words.left],
    [turning, turn && !outing.ended_ms ? written(turn.value, "trip", units, turn.u, 4, 1) : "–", words.turn],
  ];
  return el("section", { class: whole ? "strip" : "strip small", "aria-label": "State" },
    gauges.map(([label, value, how]) => el("dl", { class: "gauge" }, el("dt", {}, label), el("dd", {}, value), whole && el("dd", { class: "how" }, how))),
    whole && clockWords(outing) && el("p", { class: "way", id: "clocks" }, clockWords(outing)),
    whole && words.way && el("p", { class: "way", id: "way" }, words.way),
    whole && turn && el("p", { class: "caution small" }, "Cold, wind and soft snow shorten it. Turn back before it says so."));
}

// Redraws the figures with each position and each second. Replaces only what changed.
export function redrawState(outing) {
  const shown = document.querySelector("#field .strip");
  redrawRiding(outing);
  if (!shown) return;
  const track = document.getElementById("track");
  const words = track && trackWords(outing);
  if (words && words.textContent !== track.textContent) track.replaceWith(words);
  const next = strip(outing, { whole: !shown.classList.contains("small") });
  if (shown.children.length !== next.children.length) {
    shown.replaceWith(next);
    return;
  }
  [...next.children].forEach((child, index) => {
    if (shown.children[index].textContent !== child.textContent) shown.children[index].replaceWith(child);
  });
}

export async function queueLine(session) {
  const { here, confirmed, refused } = await counts(session);
  const sending = line.sending ? " Sending …" : "";
  const words = TROUBLES[line.trouble] && here ? TROUBLES[line.trouble].split(".")[0] : "";
  const more = refused ? `${counted(refused, "record needs", "records need")} you` : words;
  return el("a", { class: `queue${here ? " some" : ""}${refused ? " refused" : ""}`, href: "#waiting", id: "queue" },
    el("span", {}, `On this phone ${here} · on the server ${confirmed}.${sending}`),
    more && el("span", {}, more));
}

// Somebody else has signed in on a phone with a session under way: that is said before anything is logged.
function otherPerson(app, outing) {
  const mine = !line.account || !outing.account || outing.account === line.account || outing.people?.includes(line.account);
  if (mine || outing.ended_ms !== null) return null;
  return el("section", { class: "notice", id: "other-person" },
    el("p", {}, `${outing.account_name || "Somebody else"} began this session on this phone. You are ${line.name}: what you log from here on is yours.`),
    el("div", { class: "row" },
      button(`Log as ${line.name}`, async () => {
        await setWay(outing, { people: [...(outing.people ?? []), line.account] });
        await app.render();
      }),
      link("Start another", "start")));
}

export async function boardScreen(app, outing) {
  const cards = cardsOf(outing);
  const last = outing.passes[outing.passes.length - 1];
  return [
    el("h1", { class: "quiet" }, `${outing.revision_name}, ${outing.venue_name}`),
    otherPerson(app, outing),
    strip(outing, { whole: true }),
    shown(alarmsOfOuting(revisionOf(outing)?.limits, outing, reference.data.units), { brief: true }),
    await queueLine(outing.id),
    el("a", { class: "logged", href: "#logged" }, [
      counted(outing.passes.length, "pass", "passes"), counted(outing.readings.length, "reading"),
      counted(outing.failures.length, "failure"), counted(outing.photos.length, "photo"),
    ].join(" · ") + (last ? ` · last ${last.timeless ? "not timed," : `${last.duration_s.toFixed(2)} s`} ${last.direction}` : "")),
    outing.readings.some((row) => row.to_read) && link("A meter is photographed: read it off", "logged", { class: "act wide", id: "to-read" }),
    trackWords(outing),
    el("nav", { class: "board", "aria-label": "Log" },
      link("Ride", "ride", { class: "act first" }),
      link("Time a pass", "pass"),
      link("Reading", "reading"),
      link("Failure", "failure"),
      link("Note", "note"),
      link("Photo", "photo"),
      cards.length ? link("Test card", "card") : null,
      navigator.geolocation && globalThis.isSecureContext
        ? button(outing.track?.on ? "Stop track" : "Track", () => toggleTrack(app, outing)) : null,
      link("End", "end", { class: "act last" })),
  ];
}
