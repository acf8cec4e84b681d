// Draws the figures of the page. They are built and tested on the server.
import { draw } from "./chart-look.js";

const figures = JSON.parse(document.getElementById("figures").textContent);
for (const [id, figure] of Object.entries(figures)) await draw(id, figure);
document.documentElement.dataset.drawn = "yes";
