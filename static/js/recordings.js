// The charts of a session's logs: one cursor in all of them and on the track, a clip beside them, and finer lines from
// the server for the visible part. What draws them is fetched when somebody looks closer.
const charts = JSON.parse(document.getElementById("charts").textContent);
const section = document.getElementById("recordings");
const closer = document.getElementById("closer");
let scripts;

async function offerFiles(place) {
  const { element } = await import("./line-panels.js");
  const savers = element("p", "", { className: "savers" });
  for (const format of ["png", "svg"]) {
    const button = element("button", `Save as ${format.toUpperCase()}`, { type: "button", className: "act slight save" });
    button.addEventListener("click", async () => (await import("./chart-picture.js")).savePicture(place, format));
    savers.append(button);
  }
  place.after(savers);
}

// What somebody asked for in a form below: its points came with the page.
for (const id of ["laid_over", "power"]) {
  if (!charts[id]) continue;
  const { LinePanels } = await import("./line-panels.js");
  const place = document.getElementById(id);
  const panels = new LinePanels(place, charts[id]);
  panels.lines = charts[id].lines;
  document.getElementById(`still-${id}`).hidden = true;
  place.hidden = false;
  void offerFiles(place);
  for (const event of ["hovered", "pointed"]) panels.addEventListener(event, ({ detail }) => panels.setCursor(detail));
}
closer?.addEventListener("toggle", () => { for (const still of section.querySelectorAll("[data-still]")) still.hidden = closer.open && section.dataset.refined !== undefined; });
closer?.addEventListener("toggle", () => { if (closer.open) void openCharts(); });
document.documentElement.dataset.drawn = "yes";

async function openCharts() {
  if (scripts) return;
  scripts = Promise.all([import("./line-panels.js"), import("./chart-cursor.js"), import("./clip-beside-charts.js")]);
  let modules;
  try {
    modules = await scripts;
  } catch {
    // Without a network the still picture stays, and opening the fold again is another try.
    scripts = undefined;
    document.getElementById("no-lines").hidden = false;
    return;
  }
  lookCloser(...modules);
}

function lookCloser({ LinePanels }, { ChartCursor }, { clipBesideCharts }) {
  const place = document.getElementById("panels");
  const panels = new LinePanels(place, charts.panels);
  const slider = document.getElementById("cursor");
  const cursor = new ChartCursor(panels, charts.track, { says: document.getElementById("cursor-says"), table: document.getElementById("pins"), unpin: document.getElementById("unpin") });
  clipBesideCharts(document.getElementById("clip-beside"), cursor, section.dataset.window);

  // The lines that are held: from when to when, and how many stretches of each are in a second.
  let held = { from: Infinity, to: -Infinity, perSecond: 0 };
  let isAsking = false;
  const isFine = () => {
    const [from, to] = panels.range;
    return from >= held.from && to <= held.to && held.perSecond * (to - from) >= 0.9 * panels.width;
  };
  const bounded = (at) => Math.min(Math.max(at, panels.whole[0]), panels.whole[1]);
  // A quarter of what is shown lies ready on both sides, so that a short move needs nothing of the server.
  const isReady = () => {
    const [from, to] = panels.range;
    const quarter = (to - from) / 4;
    return isFine() && held.from <= bounded(from - quarter) && held.to >= bounded(to + quarter);
  };
  const refine = async () => {
    section.dataset.refined = isFine() ? "yes" : "no";
    if (isAsking || !panels.width || isReady()) return;
    isAsking = true;
    let isAnswered = false;
    try {
      const [from, to] = panels.range;
      const half = (to - from) / 2;
      const wanted = { from: bounded(from - half), to: bounded(to + half) };
      wanted.perSecond = panels.width / (to - from);
      const width_px = Math.ceil(wanted.perSecond * (wanted.to - wanted.from));
      const answer = await fetch(`${section.dataset.window}?from_s=${wanted.from}&to_s=${wanted.to}&width_px=${width_px}`);
      if (answer.ok) {
        panels.lines = (await answer.json()).lines;
        held = wanted;
        isAnswered = true;
        begin();
      }
    } catch {
      // Without a network the lines stay as they are.
    }
    isAsking = false;
    document.getElementById("no-lines").hidden = isAnswered || !document.getElementById("closer-acts").hidden;
    // What was shown may have changed on the way.
    if (isAnswered) void refine();
  };
  const begin = () => {
    if (!document.getElementById("closer-acts").hidden) return;
    document.getElementById("closer-acts").hidden = false;
    place.classList.remove("waiting");
    for (const still of section.querySelectorAll("[data-still]")) still.hidden = closer.open;
    void offerFiles(place);
  };
  closer.addEventListener("toggle", () => { if (closer.open) void refine(); });
  panels.addEventListener("measured", () => void refine());

  // What is shown is what is saved.
  const slices = () => {
    const [from, to] = panels.range;
    for (const link of section.querySelectorAll("[data-slice]")) link.href = `${link.dataset.slice}?from_s=${from}&to_s=${to}`;
  };
  slices();
  panels.addEventListener("ranged", () => {
    slices();
    void refine();
  });

  for (const button of section.querySelectorAll("[data-zoom]")) {
    button.addEventListener("click", () => {
      const [from, to] = panels.range;
      const half = ((to - from) / 2) * Number(button.dataset.zoom);
      const at = cursor.at ?? (from + to) / 2;
      const middle = at >= from && at <= to ? at : (from + to) / 2;
      panels.show(middle - half, middle + half);
    });
  }
  for (const button of section.querySelectorAll("[data-move]")) {
    button.addEventListener("click", () => {
      const [from, to] = panels.range;
      const step = (to - from) * Number(button.dataset.move);
      panels.show(from + step, to + step);
    });
  }
  section.querySelector("[data-whole]").addEventListener("click", () => panels.show(...panels.whole));

  slider.addEventListener("input", () => {
    const [from, to] = panels.range;
    cursor.set(from + ((to - from) * Number(slider.value)) / Number(slider.max));
  });
  // The cursor follows the mouse until a click puts it down; after that, each click moves it.
  let isPutDown = false;
  panels.addEventListener("hovered", ({ detail }) => { if (!isPutDown) cursor.set(detail); });
  panels.addEventListener("pointed", ({ detail }) => {
    isPutDown = true;
    cursor.set(detail);
  });
  document.getElementById("pin").addEventListener("click", () => cursor.pin());
  for (const button of document.querySelectorAll("[data-from-cursor]")) {
    button.hidden = false;
    button.addEventListener("click", () => {
      if (cursor.at !== null) document.getElementById(button.dataset.fromCursor).value = cursor.at.toFixed(2);
      else cursor.say("Put the cursor on the instant first.");
    });
  }
}
