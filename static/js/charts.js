// Draws the figures of the page. They are built and tested on the server. The chart library is as large as a hundred
// pages, so it is fetched when a figure is to be seen: at once, or when the fold that it is in is opened.
import { chartLibrary, draw } from "./chart-look.js";

const figures = JSON.parse(document.getElementById("figures").textContent);
const waiting = new Map(Object.entries(figures).filter(([id]) => document.getElementById(id)));
const isFolded = (id) => document.getElementById(id).closest("details:not([open])") !== null;

async function drawVisible() {
  const visible = [...waiting].filter(([id]) => !isFolded(id));
  for (const [id] of visible) waiting.delete(id);
  if (visible.length) await chartLibrary();
  for (const [id, figure] of visible) await draw(id, figure);
}

const folds = new Set();
for (const id of waiting.keys()) {
  for (let fold = document.getElementById(id).closest("details"); fold; fold = fold.parentElement.closest("details")) folds.add(fold);
}
for (const fold of folds) fold.addEventListener("toggle", () => void drawVisible());
await drawVisible();
document.documentElement.dataset.drawn = "yes";
