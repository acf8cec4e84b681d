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
    "yaxis.gridcolor": token("--line-soft"),
    "yaxis.linecolor": token("--line"),
  };
}

const settings = {
  responsive: true,
  displaylogo: false,
  showSendToCloud: false,
  plotlyServerURL: "",
  displayModeBar: true,
  modeBarButtons: [["toImage"]],
};

for (const [id, figure] of Object.entries(figures)) {
  const place = document.getElementById(id);
  if (!place) continue;
  await globalThis.Plotly.newPlot(place, figure.data, figure.layout, settings);
  globalThis.Plotly.relayout(place, lookOfThePage());
  dark.addEventListener("change", () => globalThis.Plotly.relayout(place, lookOfThePage()));
}
