// Starts the field page: loads the stored data, draws the screens and triggers sending.

import { letSleep } from "./awake.js";
import { TROUBLES, boardScreen, queueLine, redrawState, strip } from "./board.js";
import { cardScreen } from "./card.js";
import { offsetIsWorthSaying } from "./clock.js";
import { doubtNotice } from "./doubting.js";
import { el, hush, link, placeMessage, say } from "./elements.js";
import { endScreen, summaryScreen } from "./ending.js";
import { quantityField } from "./entry.js";
import { failedScreen, failureScreen } from "./failing.js";
import { ask, hasLeft, signInAddress } from "./link.js";
import { noteScreen, photoScreen } from "./noting.js";
import { lengthOfTime, readQuantity } from "./numbers.js";
import { current, loadReference, reference, tie } from "./outing.js";
import { editScreen, loggedScreen } from "./logged.js";
import { lostNotice } from "./lost.js";
import { rememberPlaces } from "./places.js";
import { link as line, onChange } from "./queue.js";
import { readingScreen } from "./reading.js";
import { leaveRiding, ridingScreen } from "./riding.js";
import { drain, greet } from "./sending.js";
import { leaveStanding, standScreen } from "./standing.js";
import { checkScreen, startScreen } from "./starting.js";
import { PhoneIsFull, change, countOf, keepMeta, meta } from "./store.js";
import { gateScreen, passScreen, videoScreen } from "./timing.js";
import { recoverTrack, watchScreen } from "./track.js";
import { leaveMarks, marksScreen } from "./two_phones.js";
import { leaveVoice, voiceScreen } from "./voice.js";
import { waitingScreen } from "./waiting.js";

const place = document.body.dataset;
const root = document.getElementById("field");
const REFERENCE_AGE_MS = 60_000;
const WITHOUT_OUTING = { start: startScreen, check: checkScreen, waiting: waitingScreen };
const WITH_OUTING = {
  board: boardScreen, ride: ridingScreen, pass: passScreen, video: videoScreen, gate: gateScreen, reading: readingScreen,
  failure: failureScreen, failed: failedScreen, note: noteScreen, photo: photoScreen, card: cardScreen, end: endScreen,
  summary: summaryScreen, stand: standScreen, marks: marksScreen, voice: voiceScreen, logged: loggedScreen, edit: editScreen,
};

const app = {
  outing: null,
  newer: false,

  home() {
    return app.outing ? (app.outing.ended_ms ? "summary" : "board") : "start";
  },

  go(screen) {
    if (location.hash === `#${screen}`) void app.render();
    else location.hash = screen;
  },

  async forget(draft) {
    await change(["drafts"], async ({ drafts }) => { drafts.delete(draft); });
  },

  // Converts the typed values of a draft to stored units.
  readTyped(typed, names, kind) {
    return Object.fromEntries(names.map((name) => [
      name, readQuantity(typed[name] ?? "", quantityField(kind, name), reference.data.units),
    ]));
  },

  notSaved(error) {
    if (error instanceof PhoneIsFull) {
      return "NOT saved: this phone's storage is full. What you entered is still here. Free some space, or send what waits, then save again.";
    }
    console.warn(error);
    return `NOT saved: ${error.message ?? error}. What you entered is still here; try again.`;
  },

  // Redraws only the figures, so that typing is not disturbed.
  async redrawState() {
    app.outing = await current();
    if (app.outing && reference.data && !hasLeft()) redrawState(app.outing);
  },

  rendering: Promise.resolve(),

  // Screens are built one after another, so that two changes at once cannot mix.
  render(options = {}) {
    const work = () => draw(options);
    app.rendering = app.rendering.then(work, work);
    return app.rendering;
  },

  // Redraws after news from the server, the worker or the satellite, but not under a person's hands.
  async refresh() {
    if (inUse()) missed ||= pressed;
    else await app.render({ unless: inUse });
  },
};

// A button that is redrawn between press and release would not be clicked. What was missed meanwhile follows.
let pressed = false;
let missed = false;

// A person is typing or pressing, or an error about something not saved is on the screen.
function inUse() {
  const typing = root.contains(document.activeElement) && document.activeElement.matches("input, textarea");
  return pressed || typing || Boolean(root.querySelector(".wrong[role=alert]:not(:empty)"));
}

// The values of a screen's fields, to restore them when it is redrawn.
function entered() {
  return [...root.querySelectorAll("input:not([type=file]), textarea")]
    .map(({ id, name, value, checked, type }) => ({ id, name, value, checked, type }));
}

function putBack(fields) {
  for (const { id, name, value, checked, type } of fields) {
    if (type === "radio") {
      for (const option of root.querySelectorAll(`[name="${name}"]`)) if (option.value === value) option.checked = checked;
    } else if (id && value) {
      // By id, because two queued records may have fields of the same name.
      const input = document.getElementById(id);
      if (input) input.value = value;
    }
  }
}

async function draw({ unless = () => false } = {}) {
  if (hasLeft()) return drawSignedOut();
  if (putAway) root.replaceChildren(...putAway);
  putAway = null;
  app.outing = await current();
  if (app.outing) await tie(app.outing);
  if (!app.outing || app.outing.ended_ms) await letSleep("pass");
  if (location.hash !== "#ride" || !app.outing || app.outing.ended_ms) await leaveRiding();
  if (!location.hash.startsWith("#stand")) leaveStanding();
  if (location.hash !== "#marks") await leaveMarks();
  if (location.hash !== "#voice") await leaveVoice(app);
  const [name, argument] = location.hash.slice(1).split("/");
  let screen = WITHOUT_OUTING[name];
  if (WITH_OUTING[name] && app.outing && reference.data) screen = WITH_OUTING[name];
  if (!screen) {
    const home = app.home();
    history.replaceState(null, "", `#${home}`);
    return draw({ unless });
  }
  const small = !["board", "ride", "summary", "waiting"].includes(name);
  const top = small && app.outing && reference.data && !["start", "check"].includes(name) ? [strip(app.outing), await queueLine(app.outing.id)] : [];
  const central = ["start", "board", "summary", "waiting"].includes(name);
  const lost = central && await lostNotice(app);
  const doubted = central && await doubtNotice(app);
  // The screen itself comes last: a tap or a letter between what it reads and its appearance would be lost.
  const parts = screen === WITHOUT_OUTING[name] ? await screen(app) : await screen(app, app.outing, argument);
  if (unless()) {
    missed ||= pressed;
    return;
  }
  const same = root.dataset.screen === location.hash;
  const scroll = same ? scrollY : 0;
  const fields = same ? entered() : [];
  const unfolded = same ? [...root.querySelectorAll("details[open] > summary")].map((summary) => summary.textContent) : [];
  const focused = same ? document.activeElement?.id : "";
  const began = same ? root.querySelector("form.entry")?.began : null;
  root.replaceChildren(...[name === "ride" ? null : notices(), lost, doubted, top, parts].flat(9).filter(Boolean));
  root.className = name;
  root.dataset.screen = location.hash;
  putBack(fields);
  // The restored values were typed over those shown earlier.
  if (began) root.querySelector("form.entry").began = began;
  for (const summary of root.querySelectorAll("details > summary")) summary.parentElement.open ||= unfolded.includes(summary.textContent);
  if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
  scrollTo(0, scroll);
  placeMessage();
  document.title = `${root.querySelector("h1")?.textContent ?? "At the lake"} · Firnlog`;
}

// The screen that stood here when somebody signed out in another tab: what was half typed on it must not be lost.
let putAway;

// After signing out the phone may lie about: it shows and says nothing of the log, and keeps what was not sent.
async function drawSignedOut() {
  await leaveRiding();
  await leaveMarks();
  await leaveVoice(app);
  hush();
  if (root.className !== "left") putAway = [...root.childNodes];
  const waiting = await countOf("records");
  const kept = waiting ? `${waiting} ${waiting === 1 ? "record waits" : "records wait"} on this phone, and ${waiting === 1 ? "is" : "are"} sent after you sign in. ` : "";
  root.replaceChildren(el("h1", {}, "Signed out"), el("p", { class: "notice" }, `Nothing of the log is shown here now. ${kept}`,
    el("a", { class: "act wide", href: signInAddress() }, "Sign in")));
  root.className = "left";
  document.title = "Signed out · Firnlog";
}

function notices() {
  const shown = [];
  if (app.newer && !(app.outing && !app.outing.ended_ms)) {
    shown.push(el("p", { class: "notice", id: "newer" }, "A new version of this page is ready. ",
      el("button", { type: "button", class: "act wide", onclick: () => void takeNewVersion() }, "Use the new version")));
  }
  if (!globalThis.isSecureContext) {
    shown.push(el("details", { class: "notice", id: "plain" },
      el("summary", {}, "No HTTPS: keep this page open"),
      el("p", {}, "Over plain http the phone cannot keep this page: once closed, it opens again only with a network. What was saved stays on the phone and is sent later. The satellite track and keeping the screen on do not work either."),
      el("p", {}, "To get HTTPS, put the server behind a proxy with a certificate and set BUILDLOG_BASE_URL; Settings → Help → A proxy and HTTPS says how.")));
  }
  if (offsetIsWorthSaying(line.offset_ms)) {
    const by = lengthOfTime(Math.abs(line.offset_ms) / 1000);
    shown.push(el("p", { class: "notice", id: "clock" },
      `This phone's clock is ${by} ${line.offset_ms > 0 ? "behind" : "ahead of"} the server's. Times are put right when they are sent; durations are not affected.`));
  }
  if (!app.outing && line.trouble === "reader") shown.push(el("p", { class: "notice", id: "reader" }, TROUBLES.reader));
  if (wiped) shown.push(el("p", { class: "notice wrong", id: "wiped" }, wiped));
  if ((!reference.data && line.trouble !== "reader") || line.trouble === "signed_out") {
    shown.push(el("p", { class: "notice" }, line.trouble === "signed_out" ? "You are signed out. Logging goes on; sending waits. " : "",
      el("a", { class: "act wide", href: signInAddress() }, "Sign in")));
  }
  if (!app.outing) shown.push(el("nav", { class: "away", "aria-label": "Elsewhere" },
    el("a", { href: place.desk }, "Desk pages"), line.name && el("span", {}, line.name), link("Waiting", "waiting", { class: null })));
  return shown;
}

async function refreshReference(anyway) {
  const asked_at = await meta("reference_at");
  if (!anyway && asked_at && Math.abs(Date.now() - asked_at) < REFERENCE_AGE_MS && reference.data) return;
  const answer = await ask("field/");
  if (answer.kind !== "json" || answer.status !== 200 || !answer.body.revisions) return;
  await keepMeta("reference", answer.body);
  await keepMeta("reference_at", Date.now());
  await rememberPlaces(answer.body);
  const first = !reference.data;
  reference.data = answer.body;
  // A form must not be redrawn while somebody types.
  if (first) await app.render();
  else if (["", "start", "board"].includes(location.hash.slice(1))) await app.refresh();
}

async function sendAndRefresh(anyway = false) {
  await drain({ at_once: true });
  if (!line.trouble || line.trouble === "other_account") await refreshReference(anyway);
}

function askWorker(worker, question) {
  return new Promise((resolve) => {
    const channel = new MessageChannel();
    channel.port1.onmessage = (event) => resolve(event.data);
    worker.postMessage(question, [channel.port2]);
  });
}

async function lookForNewVersion() {
  const worker = navigator.serviceWorker?.controller;
  if (!worker) return;
  const { current: shown, newest } = await askWorker(worker, "which version");
  app.newer = Boolean(newest) && newest !== (place.version || shown);
  if (app.newer) await app.refresh();
}

async function takeNewVersion() {
  await askWorker(navigator.serviceWorker.controller, "use the new version");
  location.reload();
}

async function registerWorker() {
  if (!navigator.serviceWorker) return;
  navigator.serviceWorker.addEventListener("controllerchange", () => void lookForNewVersion());
  try {
    const registration = await navigator.serviceWorker.register(place.worker, { scope: place.page, updateViaCache: "none" });
    await navigator.serviceWorker.ready;
    await lookForNewVersion();
    setInterval(() => void registration.update().catch(() => {}), 600_000);
    addEventListener("online", () => void registration.update().catch(() => {}));
  } catch (error) {
    console.warn("The field page could not be kept for offline use:", error);
  }
}

// Somebody may clear the storage under the open page. A sign in it tells, and what waited then is said to be gone.
const SIGN = "page is open";
let wiped = "";
let waited = 0;

async function watchStorage() {
  // Counted first: where the sign is still there afterwards, nothing was gone when it was counted.
  const now = await countOf("records");
  const is_there = await meta(SIGN);
  if (!is_there) {
    wiped = `The storage of this page was cleared while it was open${waited ? `: ${waited} ${waited === 1 ? "record" : "records"} that waited here ${waited === 1 ? "is" : "are"} gone` : ""}. What was sent is on the server.`;
    await keepMeta(SIGN, true);
    await loadReference();
    await app.render();
  }
  waited = now;
}

const REDRAWN = new Set(["board", "waiting", "summary"]);

async function begin() {
  try {
    await loadReference();
  } catch {
    root.replaceChildren(el("h1", {}, "At the lake"), el("p", { class: "notice" },
      "This browser keeps nothing on disk (a private window does not). Open the page in an ordinary window; nothing would be saved here."));
    return;
  }
  addEventListener("hashchange", () => void app.render());
  addEventListener("pointerdown", () => { pressed = true; }, true);
  for (const end of ["pointerup", "pointercancel"]) addEventListener(end, () => {
    // After the click that this release makes.
    setTimeout(() => {
      pressed = false;
      if (missed) void app.refresh();
      missed = false;
    });
  }, true);
  // News comes with every record that is sent; redrawing takes a twentieth of the time at most.
  let redraws_at_ms = 0;
  let redrawing = 0;
  onChange(() => {
    if (redrawing) return;
    redrawing = setTimeout(() => void (async () => {
      const began_ms = performance.now();
      redrawing = 0;
      if (REDRAWN.has(location.hash.slice(1).split("/")[0])) await app.refresh();
      else await redrawQueue();
      const now_ms = performance.now();
      redraws_at_ms = now_ms + 19 * (now_ms - began_ms);
    })(), Math.max(30, redraws_at_ms - performance.now()));
  });
  await app.render();
  root.dataset.ready = "yes";
  await keepMeta(SIGN, true);
  setInterval(() => void watchStorage().catch(() => {}), 5000);
  const seeWhoLeft = () => {
    if (hasLeft() === (root.className === "left")) return;
    void app.render();
    void sendAndRefresh();
  };
  addEventListener("pageshow", seeWhoLeft); // also of a page that comes back as it was left
  setInterval(() => void (async () => {
    seeWhoLeft();
    if (!app.outing || !reference.data || hasLeft()) return;
    await tie(app.outing);
    redrawState(app.outing);
  })(), 1000);
  addEventListener("online", () => void sendAndRefresh());
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible") void sendAndRefresh();
  });
  watchScreen(app);
  await recoverTrack(app);
  void registerWorker();
  await greet();
  await sendAndRefresh(true);
  await app.refresh();
}

async function redrawQueue() {
  const shown = document.getElementById("queue");
  if (shown && app.outing) shown.replaceWith(await queueLine(app.outing.id));
}

addEventListener("unhandledrejection", (event) => say(app.notSaved(event.reason), { wrong: true }));
await begin();
