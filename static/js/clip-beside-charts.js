// A clip beside the charts. It stays on this device. Once one instant is marked in both, the clip follows the cursor,
// and the cursor the clip.

export function clipBesideCharts(place, cursor, name) {
  const video = place.querySelector("video");
  const rate = place.querySelector("#clip-rate");
  const say = (text) => { place.querySelector("#clip-says").textContent = text; };
  const controls = place.querySelector("#clip-controls");
  const state = { frame_s: null, mark: null, key: "", moved: false };

  const scale = () => {
    const value = Number(rate.value.replace(",", "."));
    return value > 0 && Number.isFinite(value) ? value : NaN;
  };
  const intoSession = (frame_s) => state.mark.at + (frame_s - state.mark.frame_s) * scale();
  const intoClip = (at) => state.mark.frame_s + (at - state.mark.at) / scale();

  const describe = () => {
    if (state.frame_s === null) return;
    const shown = `Frame at ${state.frame_s.toFixed(2)} s of the clip`;
    if (state.mark === null) say(`${shown}. Go to an instant that can be seen in both, put the cursor on it, and press “This frame is the cursor's instant”.`);
    else if (Number.isNaN(scale())) say("Say how many seconds of the ride one second of the clip is, for example 1, or 0.125 for slow motion.");
    else say(`${shown}, ${intoSession(state.frame_s).toFixed(2)} s into the session.`);
  };

  // The time of a frame is the one that the browser reports with it, not the player's.
  const watch = () => video.requestVideoFrameCallback((_, { mediaTime }) => {
    state.frame_s = mediaTime;
    if (state.mark !== null && !Number.isNaN(scale()) && !state.moved) void cursor.set(intoSession(mediaTime), "clip");
    state.moved = false;
    describe();
    watch();
  });

  place.querySelector("#clip").addEventListener("change", async (event) => {
    const [file] = event.target.files;
    if (!file) return;
    if (video.src) URL.revokeObjectURL(video.src);
    Object.assign(state, { frame_s: null, mark: null, moved: false, key: `clip ${name} ${file.name} ${file.size}` });
    const opened = new Promise((resolve) => {
      video.addEventListener("loadeddata", () => resolve(true), { once: true });
      video.addEventListener("error", () => resolve(false), { once: true });
    });
    video.src = URL.createObjectURL(file);
    if (!(await opened)) {
      controls.hidden = video.hidden = true;
      say("This browser cannot play that file. Save the clip as MP4 (H.264) or WebM and choose it again.");
      return;
    }
    if (!("requestVideoFrameCallback" in video)) {
      say("This browser does not report the times of frames. A current browser does.");
      return;
    }
    controls.hidden = video.hidden = false;
    try {
      const kept = JSON.parse(localStorage.getItem(state.key) ?? "null");
      if (kept && Number.isFinite(kept.at) && Number.isFinite(kept.frame_s)) {
        state.mark = { at: kept.at, frame_s: kept.frame_s };
        rate.value = kept.rate;
      }
    } catch {
      // A browser that keeps nothing: the instant is marked again.
    }
    state.frame_s ??= video.currentTime;
    watch();
    if (state.mark !== null && cursor.at !== null) follow(cursor.at);
    describe();
  });

  const keep = () => {
    try {
      localStorage.setItem(state.key, JSON.stringify({ ...state.mark, rate: rate.value }));
    } catch {
      // It is marked again the next time.
    }
  };

  place.querySelector("#clip-mark").addEventListener("click", () => {
    if (cursor.at === null) return say("Put the cursor on the same instant in the charts first.");
    if (state.frame_s === null) return say("Choose a clip first.");
    state.mark = { at: cursor.at, frame_s: state.frame_s };
    keep();
    return describe();
  });
  rate.addEventListener("input", () => { if (state.mark !== null) keep(); describe(); });
  for (const button of place.querySelectorAll("[data-clip-seconds]")) {
    button.addEventListener("click", () => {
      video.pause();
      video.currentTime = Math.max(0, (state.frame_s ?? 0) + Number(button.dataset.clipSeconds));
    });
  }

  const follow = (at) => {
    const to = intoClip(at);
    if (Number.isNaN(to) || !video.paused) return;
    const within = Math.min(Math.max(to, 0), Number.isFinite(video.duration) ? video.duration : to);
    // The frame that comes is the cursor's: it must not move the cursor to its own time.
    state.moved = Math.abs(within - video.currentTime) > 1e-3;
    video.currentTime = within;
    if (Math.abs(within - to) > 0.5) say("The clip does not show that instant.");
  };
  cursor.addEventListener("moved", ({ detail }) => {
    if (detail.source !== "clip" && state.mark !== null) follow(detail.at);
  });
}
