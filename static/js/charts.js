// Draws the figures that came with the page. They are built and tested on the server.

const figures = JSON.parse(document.getElementById("figures").textContent);
const dark = matchMedia("(prefers-color-scheme: dark)");

function lookOfThePage() {
  const style = getComputedStyle(document.documentElement);
  const token = (name) => style.getPropertyValue(name).trim();
  return {
    "font.color": token("--ink"),
    "font.family": getComputedStyle(document.body).fontFamily,
    "xaxis.linecolor": token("--line"),
    "xaxis.gridcolor": token("--line-soft"),
    "yaxis.gridcolor": token("--line-soft"),
    "yaxis.linecolor": token("--line"),
  };
}

const settings = { responsive: true, displaylogo: false, showSendToCloud: false, plotlyServerURL: "", displayModeBar: false };

// A saved picture stands on its own: it has the page's own paper behind it.
function saver(place, id, format) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "act slight save";
  button.textContent = `Save as ${format.toUpperCase()}`;
  button.addEventListener("click", async () => {
    const paper = getComputedStyle(document.documentElement).getPropertyValue("--sheet").trim();
    await globalThis.Plotly.relayout(place, { paper_bgcolor: paper });
    await globalThis.Plotly.downloadImage(place, { format, width: 1100, height: 620, filename: id });
    await globalThis.Plotly.relayout(place, { paper_bgcolor: "rgba(0,0,0,0)" });
  });
  return button;
}

for (const [id, figure] of Object.entries(figures)) {
  const place = document.getElementById(id);
  if (!place) continue;
  await globalThis.Plotly.newPlot(place, figure.data, { ...figure.layout, template: "none" }, settings);
  globalThis.Plotly.relayout(place, lookOfThePage());
  dark.addEventListener("change", () => globalThis.Plotly.relayout(place, lookOfThePage()));
  const savers = document.createElement("p");
  savers.className = "savers";
  savers.append(saver(place, id, "png"), saver(place, id, "svg"));
  place.after(savers);
}

// Paper is narrower than a screen: figures take its width, and their own again afterwards.
const fit = (width) => {
  for (const id of Object.keys(figures)) {
    const place = document.getElementById(id);
    if (place) globalThis.Plotly.relayout(place, width ? { width, autosize: false } : { width: null, autosize: true });
  }
};
addEventListener("beforeprint", () => fit(680));
addEventListener("afterprint", () => fit(0));
document.documentElement.dataset.drawn = "yes";
