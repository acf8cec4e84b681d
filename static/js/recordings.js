// The logs of a session: a still picture until somebody looks closer. The charts that can be moved, with the chart
// library, are fetched then.
import { chartLibrary, draw } from "./chart-look.js";

const figures = JSON.parse(document.getElementById("figures").textContent);
const section = document.getElementById("recordings");
const closer = document.getElementById("closer");
closer?.addEventListener("toggle", () => { for (const still of section.querySelectorAll("[data-still]")) still.hidden = closer.open; });
closer?.addEventListener("toggle", async () => {
  const { drawTogether } = await import("./recordings-closer.js");
  await drawTogether(section, figures);
}, { once: true });
// What somebody asked for in a form below is drawn at once.
for (const id of ["power", "overlay"]) {
  if (!figures[id]) continue;
  await chartLibrary();
  await draw(id, figures[id]);
}
document.documentElement.dataset.drawn = "yes";
