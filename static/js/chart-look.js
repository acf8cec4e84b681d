// What every chart has in common: the page's own colours, its settings, and buttons that save it.

export const dark = matchMedia("(prefers-color-scheme: dark)");

export function lookOfThePage(axes = ["xaxis", "yaxis"]) {
  const style = getComputedStyle(document.documentElement);
  const token = (name) => style.getPropertyValue(name).trim();
  const look = { "font.color": token("--ink"), "font.family": getComputedStyle(document.body).fontFamily };
  for (const axis of axes) {
    look[`${axis}.linecolor`] = token("--line");
    look[`${axis}.gridcolor`] = token("--line-soft");
  }
  return look;
}

export const settings = { responsive: true, displaylogo: false, showSendToCloud: false, plotlyServerURL: "", displayModeBar: false };

// A saved picture stands on its own: it has the page's own paper behind it.
function saver(place, id, format) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "act slight save";
  button.textContent = `Save as ${format.toUpperCase()}`;
  button.addEventListener("click", async () => {
    const paper = getComputedStyle(document.documentElement).getPropertyValue("--sheet").trim();
    const height = place.layout?.height ?? 620;
    await globalThis.Plotly.relayout(place, { paper_bgcolor: paper });
    await globalThis.Plotly.downloadImage(place, { format, width: 1100, height, filename: id });
    await globalThis.Plotly.relayout(place, { paper_bgcolor: "rgba(0,0,0,0)" });
  });
  return button;
}

export async function draw(id, figure) {
  const place = document.getElementById(id);
  if (!place) return null;
  const axes = Object.keys(figure.layout).filter((name) => /^[xy]axis/.test(name));
  await globalThis.Plotly.newPlot(place, figure.data, { ...figure.layout, template: "none" }, settings);
  globalThis.Plotly.relayout(place, lookOfThePage(axes));
  dark.addEventListener("change", () => globalThis.Plotly.relayout(place, lookOfThePage(axes)));
  const savers = document.createElement("p");
  savers.className = "savers";
  savers.append(saver(place, id, "png"), saver(place, id, "svg"));
  place.after(savers);
  return place;
}

// Paper is narrower than a screen: figures take its width, and their own again afterwards.
export function fitToPaper(ids) {
  const fit = (width) => {
    for (const id of ids) {
      const place = document.getElementById(id);
      if (place) globalThis.Plotly.relayout(place, width ? { width, autosize: false } : { width: null, autosize: true });
    }
  };
  addEventListener("beforeprint", () => fit(680));
  addEventListener("afterprint", () => fit(0));
}
