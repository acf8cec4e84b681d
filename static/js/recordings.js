// The charts of a session's logs: one cursor in all of them and on the track, and finer lines from the server
// for the visible part.
import { draw } from "./chart-look.js";

const figures = JSON.parse(document.getElementById("figures").textContent);
const section = document.getElementById("recordings");
const panels = figures.panels ? await draw("panels", figures.panels) : null;
const track = figures.track ? await draw("track", figures.track) : null;
for (const id of ["power", "overlay"]) if (figures[id]) await draw(id, figures[id]);
const Plotly = globalThis.Plotly;

if (panels) {
  const whole = figures.panels.layout.xaxis.range.slice();
  const lines = figures.panels.data.filter((line) => line.mode === "lines").map((_, index) => index);
  const slider = document.getElementById("cursor");
  const says = document.getElementById("cursor-says");
  const ownShapes = figures.panels.layout.shapes;
  const shown = () => panels.layout.xaxis.range.map(Number);

  // The sample of a line nearest to a moment.
  const nearest = (times, at) => {
    let low = 0;
    let high = times.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (times[middle] < at) low = middle;
      else high = middle;
    }
    return Math.abs(times[low] - at) <= Math.abs(times[high] - at) ? low : high;
  };
  const clock = (at) => {
    const seconds = Math.abs(at);
    const two = (value) => String(Math.floor(value)).padStart(2, "0");
    return `${at < 0 ? "−" : ""}${two(seconds / 3600)}:${two((seconds / 60) % 60)}:${(seconds % 60).toFixed(2).padStart(5, "0")}`;
  };

  let marker = null;
  const setCursor = async (at) => {
    const line = { type: "line", xref: "x", yref: "paper", x0: at, x1: at, y0: 0, y1: 1, line: { width: 1.5, color: getComputedStyle(document.documentElement).getPropertyValue("--accent").trim() } };
    await Plotly.relayout(panels, { shapes: [...ownShapes, line] });
    const values = lines.map((index) => {
      const { x, y, hovertemplate, name } = panels.data[index];
      if (!x.length || at < x[0] - 2 || at > x[x.length - 1] + 2) return null;
      const unit = hovertemplate.replace(/^%{y:[^}]*} ?/, "").replace(/<extra>.*/, "");
      const value = y[nearest(x, at)];
      return value === null ? null : `${name.replace(/ \(.*/, "")} ${Number(value.toPrecision(4))} ${unit}`;
    });
    says.textContent = [clock(at), ...values.filter((value) => value)].join("  ·  ");
    const path = track?.data.find((segment) => segment.customdata?.length > 1 && segment.customdata[0] <= at && segment.customdata[segment.customdata.length - 1] >= at);
    if (!track || (!path && marker === null)) return;
    const place = path ? nearest(path.customdata, at) : -1;
    const point = { x: [path ? [path.x[place]] : []], y: [path ? [path.y[place]] : []] };
    if (marker === null) {
      marker = track.data.length;
      await Plotly.addTraces(track, { type: "scatter", mode: "markers", x: point.x[0], y: point.y[0], marker: { size: 14, color: line.line.color, symbol: "circle-open", line: { width: 3 } }, hoverinfo: "skip" });
    } else {
      await Plotly.restyle(track, point, [marker]);
    }
  };

  // Requests finer lines for the visible part; only the newest answer is used.
  let newest = 0;
  const refine = async () => {
    const [from, to] = shown();
    const mine = ++newest;
    section.dataset.refined = "no";
    try {
      const answer = await fetch(`${section.dataset.window}?from_s=${from}&to_s=${to}`);
      if (!answer.ok || mine !== newest) return;
      const { lines: finer } = await answer.json();
      if (mine !== newest || finer.length !== lines.length) return;
      await Plotly.restyle(panels, { x: finer.map((line) => line.x), y: finer.map((line) => line.y) }, lines);
      section.dataset.refined = "yes";
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

  const show = async (from, to) => {
    const width = Math.min(Math.max(to - from, 0.1), whole[1] - whole[0]);
    const start = Math.min(Math.max(from, whole[0]), whole[1] - width);
    await Plotly.relayout(panels, { "xaxis.range": [start, start + width] });
  };
  for (const button of section.querySelectorAll("[data-zoom]")) {
    button.addEventListener("click", () => {
      const [from, to] = shown();
      const half = ((to - from) / 2) * Number(button.dataset.zoom);
      const at = Number(slider.dataset.at || (from + to) / 2);
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
    const at = from + ((to - from) * Number(slider.value)) / Number(slider.max);
    slider.dataset.at = String(at);
    void setCursor(at);
  });
  panels.on("plotly_hover", ({ xvals }) => {
    if (!xvals?.length) return;
    const at = Number(xvals[0]);
    slider.dataset.at = String(at);
    void setCursor(at);
  });
  for (const button of document.querySelectorAll("[data-from-cursor]")) {
    button.hidden = false;
    button.addEventListener("click", () => {
      if (slider.dataset.at) document.getElementById(button.dataset.fromCursor).value = Number(slider.dataset.at).toFixed(2);
      else says.textContent = "Put the cursor on the instant first.";
    });
  }
  let waiting = 0;
  panels.on("plotly_relayout", (change) => {
    if (!Object.keys(change).some((name) => name.startsWith("xaxis."))) return;
    clearTimeout(waiting);
    waiting = setTimeout(() => void refine(), 250);
    slices();
  });
}
document.documentElement.dataset.drawn = "yes";
