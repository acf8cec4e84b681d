// Panels of lines one over the other, which can be moved by finger, mouse and wheel. The points of a line are drawn once,
// as they come from the server; to move them only changes how its path is laid out, so that a slow phone keeps up.

const PAPER_WIDTH = 680;
const MARGIN = 0.06;
const LETTER = 7;
const CLICK_PX = 6;
const paper = matchMedia("print");

export function drawing(name, attributes = {}, ...children) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

export function element(name, text, more = {}) {
  const made = document.createElement(name);
  made.textContent = text;
  return Object.assign(made, more);
}

// With the decimal sign that the reader chose.
export const inSign = (text) => text.replace("-", "−").replace(".", document.documentElement.dataset.decimal === "," ? "," : ".");
export const written = (value) => inSign(String(Number(value.toPrecision(4))));

// Round numbers between two ends, at most so many, as they are written.
function roundTicks(low, high, most) {
  const raw = (high - low) / most;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((factor) => factor * power).find((each) => each >= raw);
  const digits = Math.max(0, -Math.floor(Math.log10(step)));
  const ticks = [];
  for (let count = Math.ceil(low / step); count * step <= high; count += 1) ticks.push([count * step, inSign((count * step).toFixed(digits))]);
  return ticks;
}

// The place of the first of growing numbers that is not below a bound.
function firstFrom(numbers, bound) {
  let [low, high] = [0, numbers.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (numbers[middle] < bound) low = middle + 1;
    else high = middle;
  }
  return low;
}

// The sample of a line nearest to a place along it.
export function nearest(along, at) {
  const after = firstFrom(along, at);
  if (after === along.length) return after - 1;
  return after && at - along[after - 1] <= along[after] - at ? after - 1 : after;
}

// Points as the server packs them: thousandths along, each as its step from the one before, and whole numbers upwards.
function unpacked({ along, values, digits }) {
  const places = new Float64Array(along.length);
  const heights = new Float64Array(along.length);
  const scale = 10 ** digits;
  const path = [];
  let at = 0;
  for (let point = 0; point < along.length; point += 1) {
    at += along[point];
    places[point] = at / 1000;
    heights[point] = values[point] / scale;
    path.push(`${at - along[0]} ${values[point]}`);
  }
  return { along: places, values: heights, scale, path: path.length ? `M${path.join("L")}` : "" };
}

export class LinePanels extends EventTarget {
  #place;
  #panels;
  #lines = [];
  #words = drawing("svg", { class: "words", height: 18 });
  #ticks = drawing("svg", { class: "words along", height: 18 });
  #marks;
  #range;
  #cursor = null;
  #pins = [];
  #title;
  #says = element("p", "", { className: "soft small" });
  #width = 0;
  #height = 0;

  constructor(place, { panels, span, title, marks }) {
    super();
    this.#place = place;
    this.#marks = marks;
    this.#title = title;
    this.whole = span[1] > span[0] ? span : [span[0], span[0] + 1];
    this.#range = this.whole.slice();
    this.#panels = panels.map((panel) => this.#panel(panel));
    place.replaceChildren(...(marks.length ? [this.#words] : []), ...this.#panels.map(({ box }) => box), this.#ticks, this.#says);
    this.setCursor(null);
    new ResizeObserver(() => this.#measure()).observe(place);
    paper.addEventListener("change", () => this.#measure());
    this.#followPointers();
  }

  #panel({ title, lines, readings }) {
    const svg = drawing("svg", { class: "plot" });
    const layers = Object.fromEntries(["bands", "grid", "paths", "rings", "scale", "hands"].map((name) => [name, drawing("g", { class: name })]));
    svg.append(...Object.values(layers));
    const head = element("p", "", { className: "small" });
    head.append(element("span", title));
    const drawn = lines.map((line) => {
      const path = drawing("path", { class: "line" });
      const value = element("strong", "");
      if (lines.length > 1) {
        path.setAttribute("stroke", line.colour);
        head.append(" ", drawing("svg", { width: 14, height: 8, "aria-hidden": "true" }, drawing("path", { d: "M0 4h14", stroke: line.colour, "stroke-width": 3 })), ` ${line.name} `, value);
      } else head.append(" ", value);
      layers.paths.append(path);
      return { ...line, path, value, along: [], values: [], scale: 1 };
    });
    this.#lines.push(...drawn);
    const box = element("div", "", { className: "line-panel" });
    box.append(head, svg);
    return { box, svg, layers, lines: drawn, readings, ends: null };
  }

  get range() { return this.#range; }

  get width() { return this.#width; }

  // The points of every line, in the order of the panels.
  set lines(packed) {
    for (const [place, line] of this.#lines.entries()) {
      const { path, ...points } = unpacked(packed[place]);
      Object.assign(line, points);
      line.path.setAttribute("d", path);
    }
    this.#draw();
  }

  show(from, to) {
    const [start, end] = this.whole;
    const width = Math.min(Math.max(to - from, 0.1), end - start);
    const first = Math.min(Math.max(from, start), end - width);
    this.#range = [first, first + width];
    this.#draw();
    this.dispatchEvent(new Event("ranged"));
  }

  setCursor(at) {
    this.#cursor = at;
    this.#says.textContent = at === null ? `${this.#title}.` : `${this.#title}: ${written(at)}`;
    for (const line of this.#lines) line.value.textContent = at === null ? "" : ((value) => (value === null ? "–" : written(value)))(this.#valueAt(line, at));
    this.#drawHands();
  }

  setPins(moments) {
    this.#pins = moments;
    this.#drawHands();
  }

  valuesAt(at) {
    const isAlone = (line) => this.#lines.every((other) => other === line || other.label !== line.label);
    return this.#lines.map((line) => ({ name: isAlone(line) ? line.label : line.name, unit: line.unit, value: this.#valueAt(line, at) }));
  }

  #valueAt({ along, values }, at) {
    const isThere = along.length && at >= along[0] - 2 && at <= along[along.length - 1] + 2;
    return isThere ? values[nearest(along, at)] : null;
  }

  #measure() {
    const width = paper.matches ? PAPER_WIDTH : this.#place.clientWidth;
    // A folded box has no width; it gets its own when it is opened.
    if (!width) return;
    this.#width = width;
    this.#height = this.#panels[0].svg.getBoundingClientRect().height;
    for (const svg of [this.#words, this.#ticks, ...this.#panels.map((panel) => panel.svg)]) svg.setAttribute("width", width);
    this.#draw();
    this.dispatchEvent(new Event("measured"));
  }

  #across(at) { return ((at - this.#range[0]) / (this.#range[1] - this.#range[0])) * this.#width; }

  #draw() {
    if (!this.#width) return;
    const [from, to] = this.#range;
    const perUnit = this.#width / (to - from);
    const ticks = roundTicks(from, to, Math.max(3, Math.floor(this.#width / 90))).map(([at, text]) => [this.#across(at), text]);
    this.#ticks.replaceChildren(...ticks.map(([x, text]) => {
      const half = (text.length * LETTER) / 2;
      return drawing("text", { x: Math.min(Math.max(x, half), this.#width - half).toFixed(1), y: 13, "text-anchor": "middle" }, text);
    }));
    const marks = this.#marks.filter(([start, end]) => end >= from && start <= to).map(([start, end, words]) => [this.#across(start), this.#across(end), words]);
    let freeFrom = 0;
    this.#words.replaceChildren(...marks.flatMap(([left, , words]) => {
      const x = Math.max(left, 0);
      const end = x + LETTER * words.length;
      if (x < freeFrom || end > this.#width) return [];
      freeFrom = end + LETTER;
      return [drawing("text", { x: x.toFixed(1), y: 13 }, words)];
    }));
    for (const panel of this.#panels) this.#drawPanel(panel, perUnit, ticks, marks);
    this.#drawHands();
  }

  #drawPanel(panel, perUnit, ticks, marks) {
    const { layers, lines } = panel;
    const [width, height] = [this.#width, this.#height];
    this.#fit(panel);
    const [low, high] = panel.ends;
    const perValue = height / (high - low);
    const up = (value) => height - (value - low) * perValue;
    for (const { path, along, scale } of lines) {
      if (along.length) path.setAttribute("transform", `matrix(${perUnit / 1000} 0 0 ${-perValue / scale} ${(along[0] - this.#range[0]) * perUnit} ${height + low * perValue})`);
    }
    const levels = roundTicks(low, high, 3).map(([value, text]) => [up(value).toFixed(1), text]);
    layers.grid.replaceChildren(drawing("path", { d: [...levels.map(([y]) => `M0 ${y}H${width}`), ...ticks.map(([x]) => `M${x.toFixed(1)} 0V${height}`)].join("") }));
    layers.scale.replaceChildren(...levels.filter(([y]) => y > 12).map(([y, text]) => drawing("text", { x: 3, y: y - 3 }, text)));
    layers.bands.replaceChildren(...marks.map(([left, right]) => (right > left
      ? drawing("rect", { x: left.toFixed(1), width: (right - left).toFixed(1), height })
      : drawing("line", { class: "failure", x1: left, x2: left, y2: height }))));
    layers.rings.replaceChildren(...panel.readings.map(([at, value]) => drawing("circle", { cx: this.#across(at).toFixed(1), cy: up(value).toFixed(1), r: 4.5 })));
  }

  // The scale of a panel is changed where its lines leave it, or use less than half of it: else it stands still while
  // somebody moves along it.
  #fit(panel) {
    let [low, high] = [Infinity, -Infinity];
    const [from, to] = this.#range;
    for (const { along, values } of panel.lines) {
      const end = Math.min(firstFrom(along, to) + 1, along.length);
      for (let place = Math.max(firstFrom(along, from) - 1, 0); place < end; place += 1) {
        if (values[place] < low) low = values[place];
        if (values[place] > high) high = values[place];
      }
    }
    for (const [at, value] of panel.readings) {
      if (at < from || at > to) continue;
      [low, high] = [Math.min(low, value), Math.max(high, value)];
    }
    if (low > high) {
      panel.ends ??= [0, 1];
      return;
    }
    const reach = high - low || Math.abs(high) * 0.01 || 1;
    const [bottom, top] = panel.ends ?? [Infinity, -Infinity];
    if (low < bottom || high > top || reach < (top - bottom) / 2) {
      const middle = (low + high) / 2;
      panel.ends = [middle - reach * (0.5 + MARGIN), middle + reach * (0.5 + MARGIN)];
    }
  }

  #drawHands() {
    if (!this.#width) return;
    const hands = [...this.#pins.map((at) => [at, "pin"]), ...(this.#cursor === null ? [] : [[this.#cursor, "hand"]])].filter(([at]) => at >= this.#range[0] && at <= this.#range[1]);
    for (const { layers } of this.#panels) {
      layers.hands.replaceChildren(...hands.map(([at, name]) => {
        const x = this.#across(at).toFixed(1);
        return drawing("line", { class: name, x1: x, x2: x, y2: this.#height });
      }));
    }
  }

  // One finger or the mouse moves along, two fingers and the wheel with Ctrl come closer, a tap puts the cursor down.
  #followPointers() {
    const place = this.#place;
    const held = new Map();
    let begun = null;
    const placeOf = (clientX) => {
      const left = this.#panels[0].svg.getBoundingClientRect().left;
      return this.#range[0] + ((clientX - left) / this.#width) * (this.#range[1] - this.#range[0]);
    };
    const begin = () => {
      const points = [...held.values()];
      begun = points.length ? { range: this.#range.slice(), places: points.map((point) => placeOf(point.x)), from: points.map((point) => point.x), isMoved: (begun?.isMoved ?? false) } : null;
    };
    place.addEventListener("pointerdown", (event) => {
      if (event.button || !event.target.closest(".plot")) return;
      if (!held.size) begun = null;
      held.set(event.pointerId, { x: event.clientX });
      begin();
    });
    place.addEventListener("pointermove", (event) => {
      if (!held.has(event.pointerId)) {
        if (event.pointerType === "mouse" && event.target.closest(".plot")) this.dispatchEvent(new CustomEvent("hovered", { detail: placeOf(event.clientX) }));
        return;
      }
      held.get(event.pointerId).x = event.clientX;
      const now = [...held.values()].map((point) => point.x);
      if (!begun.isMoved && now.every((x, finger) => Math.abs(x - begun.from[finger]) < CLICK_PX)) return;
      if (!begun.isMoved) place.setPointerCapture(event.pointerId);
      begun.isMoved = true;
      const left = this.#panels[0].svg.getBoundingClientRect().left;
      // What was under a finger stays under it.
      let perPx = (begun.range[1] - begun.range[0]) / this.#width;
      if (now.length > 1 && Math.abs(now[1] - now[0]) > CLICK_PX) perPx = Math.abs((begun.places[1] - begun.places[0]) / (now[1] - now[0]));
      const from = begun.places[0] - (now[0] - left) * perPx;
      this.show(from, from + perPx * this.#width);
    });
    const end = (event) => {
      if (!held.delete(event.pointerId)) return;
      if (event.type === "pointerup" && !held.size && !begun.isMoved) this.dispatchEvent(new CustomEvent("pointed", { detail: placeOf(event.clientX) }));
      begin();
    };
    place.addEventListener("pointerup", end);
    place.addEventListener("pointercancel", end);
    place.addEventListener("wheel", (event) => {
      const sideways = Math.abs(event.deltaX) > Math.abs(event.deltaY);
      if (!event.ctrlKey && !sideways) return;
      event.preventDefault();
      const [from, to] = this.#range;
      const at = placeOf(event.clientX);
      const factor = event.ctrlKey ? Math.exp(Math.min(Math.max(event.deltaY, -100), 100) / 200) : 1;
      const step = event.ctrlKey ? 0 : (event.deltaX / this.#width) * (to - from);
      this.show(at + (from - at) * factor + step, at + (to - at) * factor + step);
    }, { passive: false });
  }
}
