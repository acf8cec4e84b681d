// The cursor of a session's charts: one line through all panels, the place on the track, its values, and values that
// were pinned beside each other.

const MOST_PINS = 4;

// The sample of a line nearest to a moment.
function nearest(times, at) {
  let low = 0;
  let high = times.length - 1;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (times[middle] < at) low = middle;
    else high = middle;
  }
  return Math.abs(times[low] - at) <= Math.abs(times[high] - at) ? low : high;
}

export function clock(at) {
  const seconds = Math.abs(at);
  const two = (value) => String(Math.floor(value)).padStart(2, "0");
  return `${at < 0 ? "−" : ""}${two(seconds / 3600)}:${two((seconds / 60) % 60)}:${(seconds % 60).toFixed(2).padStart(5, "0")}`;
}

// With the decimal sign that the reader chose.
const written = (value) => String(Number(value.toPrecision(4))).replace("-", "−").replace(".", document.documentElement.dataset.decimal === "," ? "," : ".");

function element(name, text, more = {}) {
  const made = document.createElement(name);
  made.textContent = text;
  return Object.assign(made, more);
}

export class ChartCursor extends EventTarget {
  #panels;
  #track;
  #lines;
  #ownShapes;
  #says;
  #table;
  #unpin;
  #marker = null;
  #pins = [];
  #drawing = null;

  constructor(panels, track, lines, { says, table, unpin }) {
    super();
    this.#panels = panels;
    this.#track = track;
    this.#lines = lines;
    this.#ownShapes = panels.layout.shapes ?? [];
    this.#says = says;
    this.#table = table;
    this.#unpin = unpin;
    this.at = null;
  }

  say(text) { this.#says.textContent = text; }

  // Moves the cursor. Moments that come while one is drawn wait, and only the last of them is drawn.
  set(at, source = "hand") {
    this.at = at;
    this.say([clock(at), ...this.#values(at).filter((row) => row.value !== null).map((row) => `${row.name} ${written(row.value)} ${row.unit}`.trim())].join("  ·  "));
    this.dispatchEvent(new CustomEvent("moved", { detail: { at, source } }));
    this.#drawing ??= Promise.resolve().then(() => this.#draw());
    return this.#drawing;
  }

  #values(at) {
    return this.#lines.map((index) => {
      const { x, y, hovertemplate, name } = this.#panels.data[index];
      const unit = hovertemplate.replace(/^%{y:[^}]*} ?/, "").replace(/<extra>.*/, "");
      const isThere = x.length && at >= x[0] - 2 && at <= x[x.length - 1] + 2;
      return { key: name, name: name.replace(/ \(.*/, ""), unit, value: isThere ? y[nearest(x, at)] : null };
    });
  }

  async #draw() {
    try {
      let drawn = NaN;
      while (drawn !== this.at) {
        drawn = this.at;
        await this.#drawLines();
        await this.#drawPlace(drawn);
      }
    } finally {
      this.#drawing = null;
    }
  }

  #drawLines() {
    const color = getComputedStyle(document.documentElement).getPropertyValue("--accent").trim();
    const line = (x, dash) => ({ type: "line", xref: "x", yref: "paper", x0: x, x1: x, y0: 0, y1: 1, line: { width: 1.5, color, dash } });
    const cursor = this.at === null ? [] : [line(this.at, "solid")];
    return globalThis.Plotly.relayout(this.#panels, { shapes: [...this.#ownShapes, ...this.#pins.map((pin) => line(pin.at, "dash")), ...cursor] });
  }

  async #drawPlace(at) {
    const track = this.#track;
    if (!track || at === null) return;
    const path = track.data.find((segment) => segment.customdata?.length > 1 && segment.customdata[0] <= at && segment.customdata[segment.customdata.length - 1] >= at);
    if (!path && this.#marker === null) return;
    const place = path ? nearest(path.customdata, at) : -1;
    const point = { x: [path ? [path.x[place]] : []], y: [path ? [path.y[place]] : []] };
    if (this.#marker === null) {
      this.#marker = track.data.length;
      const color = getComputedStyle(document.documentElement).getPropertyValue("--accent").trim();
      await globalThis.Plotly.addTraces(track, { type: "scatter", mode: "markers", name: "cursor", showlegend: false, x: point.x[0], y: point.y[0], marker: { size: 14, color, symbol: "circle-open", line: { width: 3 } }, hoverinfo: "skip" });
    } else {
      await globalThis.Plotly.restyle(track, point, [this.#marker]);
    }
  }

  // Keeps the values under the cursor in a table; they stay as they are, however the charts are moved afterwards.
  pin() {
    if (this.at === null) return this.say("Put the cursor on the instant first.");
    if (this.#pins.length >= MOST_PINS) return this.say(`Unpin one of the ${MOST_PINS} instants first.`);
    this.#pins.push({ at: this.at, values: this.#values(this.at) });
    this.#pins.sort((first, second) => first.at - second.at);
    this.#drawPins();
    return undefined;
  }

  #drawPins() {
    void this.#drawLines();
    const pins = this.#pins;
    this.#table.hidden = !pins.length;
    const heads = pins.map((pin) => element("th", clock(pin.at), { scope: "col", className: "number" }));
    this.#unpin.replaceChildren(...pins.map((pin) => {
      const away = element("button", `Unpin ${clock(pin.at)}`, { type: "button", className: "act slight" });
      away.addEventListener("click", () => {
        this.#pins = this.#pins.filter((other) => other !== pin);
        this.#drawPins();
      });
      return away;
    }));
    const between = pins.length > 1;
    const last = pins[pins.length - 1];
    const head = document.createElement("tr");
    head.append(element("th", "Pinned", { scope: "col" }), ...heads, ...(between ? [element("th", "last − first", { scope: "col", className: "number" })] : []));
    const row = (name, unit, values) => {
      const line = document.createElement("tr");
      const cell = (value, label) => {
        const made = element("td", value === null || value === undefined ? "–" : `${written(value)} ${unit}`.trim(), { className: "number" });
        made.dataset.label = label;
        return made;
      };
      const [first, end] = [values[0], values[values.length - 1]];
      const known = typeof first === "number" && typeof end === "number";
      line.append(element("th", name, { scope: "row" }), ...values.map((value, index) => cell(value, clock(pins[index].at))));
      if (between) line.append(cell(known ? end - first : null, "last − first"));
      return line;
    };
    const names = pins.length ? last.values : [];
    const body = document.createElement("tbody");
    if (pins.length) body.append(row("into the session", "s", pins.map((pin) => pin.at)));
    body.append(...names.map((line, index) => row(line.name, line.unit, pins.map((pin) => pin.values[index].value))).filter((line) => /\d/.test([...line.cells].slice(1).map((cell) => cell.textContent).join(""))));
    const top = document.createElement("thead");
    top.append(head);
    this.#table.replaceChildren(top, body);
  }
}
