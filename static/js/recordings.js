// The charts of a session's logs: one cursor in all of them and on the track, a clip beside them, and finer lines from
// the server for the visible part. The chart library is fetched when somebody looks closer.
import { chartLibrary, draw } from "./chart-look.js";

const figures = JSON.parse(document.getElementById("figures").textContent);
const section = document.getElementById("recordings");
const closer = document.getElementById("closer");
closer?.addEventListener("toggle", () => { for (const still of section.querySelectorAll("[data-still]")) still.hidden = closer.open; });
closer?.addEventListener("toggle", () => void lookCloser(), { once: true });
// What somebody asked for in a form below is drawn at once; the rest when they look closer.
for (const id of ["power", "overlay"]) {
  if (!figures[id]) continue;
  await chartLibrary();
  await draw(id, figures[id]);
}
document.documentElement.dataset.drawn = "yes";

async function lookCloser() {
  const [cursors, clips] = await Promise.all([import("./chart-cursor.js"), import("./clip-beside-charts.js"), chartLibrary()]);
  const panels = figures.panels ? await draw("panels", figures.panels) : null;
  // The panels are painted before the track is drawn.
  await new Promise((resolve) => { requestAnimationFrame(() => setTimeout(resolve, 0)); });
  const track = figures.track ? await draw("track", figures.track) : null;
  if (panels) moveTogether(panels, track, cursors.ChartCursor, clips.clipBesideCharts);
}

function moveTogether(panels, track, ChartCursor, clipBesideCharts) {
  const Plotly = globalThis.Plotly;
  const whole = figures.panels.layout.xaxis.range.slice();
  const lines = figures.panels.data.filter((line) => line.mode === "lines").map((_, index) => index);
  const slider = document.getElementById("cursor");
  const cursor = new ChartCursor(panels, track, lines, { says: document.getElementById("cursor-says"), table: document.getElementById("pins"), unpin: document.getElementById("unpin") });
  clipBesideCharts(document.getElementById("clip-beside"), cursor, section.dataset.window);
  const shown = () => panels.layout.xaxis.range.map(Number);

  // The scale of a panel is drawn anew where its lines leave it, or use less than half of it: while somebody pans it
  // stands still, and drawing axes takes longer than drawing lines.
  const axes = Object.keys(panels.layout).filter((name) => name.startsWith("yaxis"));
  const fitted = () => {
    const [from, to] = shown();
    const ranges = {};
    for (const axis of axes) {
      let [low, high] = [Infinity, -Infinity];
      for (const { yaxis = "y", x, y } of panels.data) {
        if (yaxis !== axis.replace("yaxis", "y")) continue;
        for (let place = 0; place < y.length; place += 1) {
          if (x[place] < from || x[place] > to) continue;
          if (y[place] < low) low = y[place];
          if (y[place] > high) high = y[place];
        }
      }
      if (low > high) continue;
      const [bottom, top] = panels.layout[axis].range.map(Number);
      const height = high - low || Math.abs(high) * 0.01 || 1;
      if (low < bottom || high > top || height < (top - bottom) / 2) ranges[`${axis}.range`] = [low - 0.06 * height, high + 0.06 * height];
    }
    return ranges;
  };

  // Requests finer lines for a part of the session; only the newest answer is used.
  let newest = 0;
  const refine = async (from, to) => {
    const mine = ++newest;
    section.dataset.refined = "no";
    try {
      const { l, r } = panels.layout.margin;
      const answer = await fetch(`${section.dataset.window}?from_s=${from}&to_s=${to}&width_px=${Math.round(panels.clientWidth - l - r)}`);
      if (!answer.ok || mine !== newest) return;
      const { lines: finer } = await answer.json();
      if (mine !== newest || finer.length !== lines.length) return;
      // Lines only: to draw axes, legends and shapes with them takes three times as long.
      await Plotly.animate(panels, { data: finer, traces: lines }, { mode: "immediate", frame: { duration: 0, redraw: false }, transition: { duration: 0 } });
      section.dataset.refined = "yes";
      const ranges = fitted();
      if (mine === newest && Object.keys(ranges).length) await Plotly.relayout(panels, ranges);
    } catch {
      // Without a network the lines stay as they are.
    }
  };

  // What is shown is what is saved.
  const slices = () => {
    const [from, to] = shown();
    for (const link of section.querySelectorAll("[data-slice]")) link.href = `${link.dataset.slice}?from_s=${from}&to_s=${to}`;
  };
  slices();

  let isAskedFor = false;
  const show = async (from, to) => {
    const width = Math.min(Math.max(to - from, 0.1), whole[1] - whole[0]);
    const start = Math.min(Math.max(from, whole[0]), whole[1] - width);
    // The finer lines are on their way while the picture is moved.
    isAskedFor = true;
    const finer = refine(start, start + width);
    await Plotly.relayout(panels, { "xaxis.range": [start, start + width] });
    isAskedFor = false;
    await finer;
  };
  for (const button of section.querySelectorAll("[data-zoom]")) {
    button.addEventListener("click", () => {
      const [from, to] = shown();
      const half = ((to - from) / 2) * Number(button.dataset.zoom);
      const at = cursor.at ?? (from + to) / 2;
      const middle = at >= from && at <= to ? at : (from + to) / 2;
      void show(middle - half, middle + half);
    });
  }
  for (const button of section.querySelectorAll("[data-move]")) {
    button.addEventListener("click", () => {
      const [from, to] = shown();
      const step = (to - from) * Number(button.dataset.move);
      void show(from + step, to + step);
    });
  }
  section.querySelector("[data-whole]").addEventListener("click", () => void show(...whole));

  slider.addEventListener("input", () => {
    const [from, to] = shown();
    void cursor.set(from + ((to - from) * Number(slider.value)) / Number(slider.max));
  });
  // The cursor follows the pointer until a click puts it down; after that, each click moves it.
  let isPutDown = false;
  panels.on("plotly_hover", ({ xvals }) => {
    if (xvals?.length && !isPutDown) void cursor.set(Number(xvals[0]));
  });
  panels.on("plotly_click", ({ points }) => {
    if (!points?.length) return;
    isPutDown = true;
    void cursor.set(Number(points[0].x));
  });
  document.getElementById("pin").addEventListener("click", () => cursor.pin());
  for (const button of document.querySelectorAll("[data-from-cursor]")) {
    button.hidden = false;
    button.addEventListener("click", () => {
      if (cursor.at !== null) document.getElementById(button.dataset.fromCursor).value = cursor.at.toFixed(2);
      else cursor.say("Put the cursor on the instant first.");
    });
  }
  let waiting = 0;
  panels.on("plotly_relayout", (change) => {
    if (!Object.keys(change).some((name) => name.startsWith("xaxis."))) return;
    slices();
    clearTimeout(waiting);
    // A finger that drags sends a change for each frame; what it passes over is not asked for.
    if (!isAskedFor) waiting = setTimeout(() => void refine(...shown()), 60);
  });
  document.getElementById("closer-acts").hidden = false;
}
