// Colours, settings and save buttons shared by all charts.

const dark = matchMedia("(prefers-color-scheme: dark)");
const paper = matchMedia("print");

// Paper is narrower than a screen.
const PAPER_WIDTH = 680;

function lookOfThePage(axes) {
  const style = getComputedStyle(document.documentElement);
  const token = (name) => style.getPropertyValue(name).trim();
  // Plotly writes the first sign before decimals.
  const look = { separators: document.documentElement.dataset.decimal === "," ? ",\u2009" : ".\u2009", "font.color": token("--ink"), "font.family": getComputedStyle(document.body).fontFamily };
  for (const axis of axes) {
    look[`${axis}.linecolor`] = token("--line");
    look[`${axis}.gridcolor`] = token("--line-soft");
  }
  return look;
}

// The same within a layout: "font.color" as `color` of `font`.
function within(layout, look) {
  const whole = { ...layout };
  for (const [way, value] of Object.entries(look)) {
    const [part, name] = way.split(".");
    if (name) whole[part] = { ...whole[part], [name]: value };
    else whole[part] = value;
  }
  return whole;
}

let library = null;

// The chart library, whose address the page's script names. It is fetched once.
export function chartLibrary() {
  library ??= new Promise((resolve, reject) => {
    const script = document.createElement("script");
    script.src = document.querySelector("script[data-plotly]").dataset.plotly;
    script.onload = resolve;
    script.onerror = reject;
    document.head.append(script);
  });
  return library;
}

const settings = { responsive: true, displaylogo: false, showSendToCloud: false, plotlyServerURL: "", displayModeBar: false };

// A saved picture gets the page's background colour.
function saver(place, id, format, height) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "act slight save";
  button.textContent = `Save as ${format.toUpperCase()}`;
  button.addEventListener("click", async () => {
    const sheet = getComputedStyle(document.documentElement).getPropertyValue("--sheet").trim();
    await globalThis.Plotly.relayout(place, { paper_bgcolor: sheet });
    await globalThis.Plotly.downloadImage(place, { format, width: 1100, height, filename: id });
    await globalThis.Plotly.relayout(place, { paper_bgcolor: "rgba(0,0,0,0)" });
  });
  return button;
}

export async function draw(id, figure) {
  const place = document.getElementById(id);
  if (!place) return null;
  const axes = Object.keys(figure.layout).filter((name) => /^[xy]axis/.test(name));
  // The height belongs to the box. A height in the layout would not move the content below, and would be lost
  // when the screen is turned.
  const { height, ...layout } = figure.layout;
  if (height) place.style.height = `${height}px`;
  const wanted = () => ({
    ...lookOfThePage(axes), ...(paper.matches ? { width: PAPER_WIDTH, autosize: false } : { width: null, autosize: true }),
  });
  // In one go: a phone takes as long to draw all of it a second time.
  await globalThis.Plotly.newPlot(place, figure.data, within({ ...layout, template: "none" }, wanted()), settings);
  const look = () => globalThis.Plotly.relayout(place, wanted());
  // A folded box has no width; it gets its own when it is opened.
  place.closest("details")?.addEventListener("toggle", () => globalThis.Plotly.Plots.resize(place));
  dark.addEventListener("change", look);
  paper.addEventListener("change", look);
  const savers = document.createElement("p");
  savers.className = "savers";
  savers.append(saver(place, id, "png", height ?? 620), saver(place, id, "svg", height ?? 620));
  place.after(savers);
  return place;
}
