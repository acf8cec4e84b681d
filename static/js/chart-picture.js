// Line panels as a file: the panels with their words, one below the other, in the colours of the page.
import { drawing } from "./line-panels.js";

const WIDTH = 1100;
const LINE_PX = 20;
const KEPT = ["fill", "stroke", "stroke-width", "stroke-dasharray", "opacity", "font-size", "font-weight", "font-family", "vector-effect", "paint-order", "text-anchor"];

function copied(svg) {
  const copy = svg.cloneNode(true);
  const originals = [svg, ...svg.querySelectorAll("*")];
  for (const [place, made] of [copy, ...copy.querySelectorAll("*")].entries()) {
    const style = getComputedStyle(originals[place]);
    for (const name of KEPT) made.setAttribute(name, style.getPropertyValue(name));
    made.removeAttribute("class");
  }
  return copy;
}

function picture(place) {
  const style = getComputedStyle(place);
  const width = place.clientWidth;
  const whole = drawing("svg", { xmlns: "http://www.w3.org/2000/svg" });
  let top = LINE_PX / 2;
  for (const part of place.querySelectorAll("p, .words, .plot")) {
    if (part.tagName === "P") {
      whole.append(drawing("text", { x: 4, y: top + 14, "font-size": 13, "font-family": style.fontFamily, fill: style.color }, part.textContent.replace(/\s+/g, " ").trim()));
      top += LINE_PX;
      continue;
    }
    const copy = copied(part);
    const height = part.getBoundingClientRect().height;
    for (const [name, value] of Object.entries({ x: 0, y: top, width, height, overflow: "hidden" })) copy.setAttribute(name, value);
    whole.append(copy);
    top += height + 2;
  }
  const scale = WIDTH / width;
  for (const [name, value] of Object.entries({ viewBox: `0 0 ${width} ${top}`, width: WIDTH, height: Math.round(top * scale) })) whole.setAttribute(name, value);
  whole.prepend(drawing("rect", { width, height: top, fill: style.getPropertyValue("--sheet").trim() }));
  return whole;
}

async function asPng(svg) {
  const address = URL.createObjectURL(new Blob([new XMLSerializer().serializeToString(svg)], { type: "image/svg+xml" }));
  try {
    const image = new Image();
    image.src = address;
    await image.decode();
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [svg.getAttribute("width"), svg.getAttribute("height")];
    canvas.getContext("2d").drawImage(image, 0, 0);
    return await new Promise((resolve) => { canvas.toBlob(resolve, "image/png"); });
  } finally {
    URL.revokeObjectURL(address);
  }
}

export async function savePicture(place, format) {
  const svg = picture(place);
  const file = format === "png" ? await asPng(svg) : new Blob([new XMLSerializer().serializeToString(svg)], { type: "image/svg+xml" });
  const link = document.createElement("a");
  link.href = URL.createObjectURL(file);
  link.download = `${place.id.replace("_", "-")}.${format}`;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
}
