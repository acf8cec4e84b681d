// Times a pass on a clip that stays on this device. A frame is identified by its presentation time, which the
// browser reports with each frame; the player's currentTime does not identify a frame.

import { captureRateOf } from "./capture-rate.js";

const place = document.getElementById("video-timing");
const gates = JSON.parse(document.getElementById("gates").textContent);
const video = place.querySelector("video");
const form = place.querySelector("form");
const ask = (name) => form.elements[name];
const say = (id, text) => { place.querySelector(`#${id}`).textContent = text; };

const state = { frame_s: null, interval_s: 1 / 30, marks: [] };
const seek = place.querySelector("#seek");

// A rate beyond that of the clip by more than this is doubted: unequal frames make a clip's own rate uncertain.
const DOUBTED_BEYOND = 1.3;

// The presentation time of the next shown frame, or null if none comes.
function shownFrame(act) {
  return new Promise((resolve) => {
    const giveUp = setTimeout(() => resolve(null), 1500);
    video.requestVideoFrameCallback((_, { mediaTime }) => { clearTimeout(giveUp); resolve(mediaTime); });
    act?.();
  });
}

async function goTo(time_s) {
  const shown = await shownFrame(() => { video.currentTime = Math.max(0, Math.min(time_s, video.duration || time_s)); });
  if (shown !== null) state.frame_s = shown;
  draw();
  return shown;
}

// One frame forward or back: seeks a little over half a frame, and farther while the frame does not change.
let stepping = Promise.resolve();
function step(ways) {
  stepping = stepping.then(async () => {
    const from = state.frame_s ?? 0;
    for (let part = ways > 0 ? 1.25 : 0.5; part < 6; part += 0.5) {
      const shown = await goTo(from + ways * part * state.interval_s);
      if (shown !== null && Math.abs(shown - from) > 1e-6) return;
      if (ways < 0 && from - part * state.interval_s < 0) return;
    }
  });
  return stepping;
}

// The shortest interval between two of the first frames, so that no step skips a frame.
async function learnInterval() {
  const times = [];
  video.muted = true;
  video.playbackRate = 0.25;
  await new Promise((resolve) => {
    const stop = setTimeout(resolve, 4000);
    const note = (_, { mediaTime }) => {
      times.push(mediaTime);
      if (times.length < 12) video.requestVideoFrameCallback(note);
      else { clearTimeout(stop); resolve(); }
    };
    video.requestVideoFrameCallback(note);
    video.addEventListener("ended", () => { clearTimeout(stop); resolve(); }, { once: true });
    video.play().catch(() => { clearTimeout(stop); resolve(); });
  });
  video.pause();
  video.playbackRate = 1;
  const steps = times.slice(1).map((time, index) => time - times[index]).filter((gap) => gap > 1e-4);
  if (steps.length) state.interval_s = Math.min(...steps);
}

// How long the clip is. Some recorders do not write it: it is known once the end was gone to.
async function length_s() {
  if (!Number.isFinite(video.duration)) {
    await new Promise((resolve) => {
      const stop = setTimeout(resolve, 3000);
      video.addEventListener("seeked", () => { clearTimeout(stop); resolve(); }, { once: true });
      video.currentTime = 1e6;
    });
  }
  const end_s = Number.isFinite(video.duration) ? video.duration : video.currentTime;
  return Math.max(end_s, state.interval_s);
}

function gate() {
  return gates.find((candidate) => candidate.id === ask("gate").value);
}

// Seconds of the ride for one second of the clip; below 1 for slow motion.
function rideSeconds() {
  const taken = Number(ask("taken").value.replace(",", "."));
  const plays = ask("slow").checked ? Number(ask("plays").value.replace(",", ".")) : taken;
  return taken > 0 && plays > 0 ? plays / taken : NaN;
}

function result() {
  const times = state.marks.map((mark) => mark - state.marks[0]);
  const scale = rideSeconds();
  if (state.marks.length !== gate()?.positions_m.length || !Number.isFinite(scale)) return null;
  return times.map((time) => time * scale);
}

// Said of a clip that plays as it was recorded: more frames a second than it has cannot be.
function rateDoubt() {
  const taken = Number(ask("taken").value.replace(",", "."));
  const shown = 1 / state.interval_s;
  if (state.frame_s === null || ask("slow").checked || !(taken > DOUBTED_BEYOND * shown)) return "";
  return `The clip shows ${shown.toFixed(0)} frames a second, not ${taken}. If it was recorded at ${taken} and plays slower, tick “Slow motion”; otherwise the time would be right and its ± too small.`;
}

function draw() {
  const doubt = rateDoubt();
  place.querySelector("#rate-doubt").hidden = !doubt;
  say("rate-doubt", doubt);
  if (state.frame_s !== null && document.activeElement !== seek) seek.value = String(state.frame_s);
  say("frame", state.frame_s === null ? "no frame yet" : `frame at ${state.frame_s.toFixed(4)} s of the clip`);
  const wanted = gate()?.positions_m.length ?? 0;
  const list = place.querySelector("#marks");
  list.replaceChildren(...state.marks.map((time, index) => {
    const row = document.createElement("li");
    row.textContent = `Mark ${index + 1}: ${time.toFixed(4)} s`;
    return row;
  }));
  const times = result();
  place.querySelector("#mark").textContent = state.marks.length < wanted ? `This frame is mark ${state.marks.length + 1} of ${wanted}` : "All marks are set";
  place.querySelector("#mark").disabled = state.frame_s === null || state.marks.length >= wanted;
  place.querySelector("#unmark").disabled = !state.marks.length;
  place.querySelector("#save").disabled = !times;
  say("time", times ? `${times[times.length - 1].toFixed(4)} s from the first to the last mark` : "");
}

place.querySelector("#clip").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  if (!file) return;
  say("wrong", "");
  state.marks = [];
  state.frame_s = null;
  video.src = URL.createObjectURL(file);
  video.hidden = false;
  const opened = await new Promise((resolve) => {
    video.addEventListener("loadeddata", () => resolve(true), { once: true });
    video.addEventListener("error", () => resolve(false), { once: true });
  });
  if (!opened) {
    say("wrong", "This browser cannot play that file. Save the clip as MP4 (H.264) or WebM and choose it again.");
    return;
  }
  if (!("requestVideoFrameCallback" in video)) {
    say("wrong", "This browser does not report the times of frames, so it cannot time a pass. A current browser does.");
    return;
  }
  await learnInterval();
  const clip = Math.round(100 / state.interval_s) / 100;
  const recorded = await captureRateOf(file);
  if (!ask("taken").value) ask("taken").value = String(recorded ?? clip);
  if (recorded !== null && recorded > DOUBTED_BEYOND * clip) {
    // The camera's own word: recorded faster than it plays.
    ask("slow").checked = true;
    ask("plays").value = String(clip);
  }
  seek.max = String(await length_s());
  await goTo(0);
  place.dataset.ready = "yes";
});

place.querySelector("#back").addEventListener("click", () => void step(-1));
place.querySelector("#on").addEventListener("click", () => void step(1));
const jump = (seconds) => goTo((state.frame_s ?? 0) + seconds);
for (const button of place.querySelectorAll("[data-seconds]")) {
  button.addEventListener("click", () => void jump(Number(button.dataset.seconds)));
}
// While the bar is dragged only the newest place is gone to.
let wanted_s = null;
seek.addEventListener("input", async () => {
  const busy = wanted_s !== null;
  wanted_s = Number(seek.value);
  if (busy) return;
  let at = null;
  while (wanted_s !== at) {
    at = wanted_s;
    await goTo(at);
  }
  wanted_s = null;
});
place.querySelector("#play").addEventListener("click", async () => {
  if (video.paused) {
    await video.play();
    return;
  }
  video.pause();
  await goTo(video.currentTime);
});
place.querySelector("#mark").addEventListener("click", () => {
  const last = state.marks[state.marks.length - 1];
  if (last !== undefined && state.frame_s <= last) {
    say("wrong", "Each mark comes after the one before. Step forward, or remove the last mark.");
    return;
  }
  say("wrong", "");
  state.marks.push(state.frame_s);
  draw();
});
place.querySelector("#unmark").addEventListener("click", () => { state.marks.pop(); draw(); });
form.addEventListener("input", draw);
addEventListener("keydown", (event) => {
  if (event.target.matches("input, select, textarea")) return;
  const act = {
    ArrowLeft: () => (event.shiftKey ? jump(-1) : step(-1)), ArrowRight: () => (event.shiftKey ? jump(1) : step(1)),
    PageUp: () => jump(-10), PageDown: () => jump(10), m: () => place.querySelector("#mark").click(),
  }[event.key];
  if (!act) return;
  event.preventDefault();
  void act();
});
form.addEventListener("submit", (event) => {
  const times = result();
  if (!times) {
    event.preventDefault();
    return;
  }
  // The server derives the uncertainty from the frame rate of the recording.
  ask("duration_s").value = `${times[times.length - 1]} s`;
  ask("split_times_s").value = times.slice(1, -1).join("; ");
  ask("frames_per_s").value = ask("taken").value;
});
draw();
