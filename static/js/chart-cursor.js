// The cursor of a session's charts: one line through all panels, the place on the track, its values, and values that
// were pinned beside each other.

import { drawing, element, nearest, written } from "./line-panels.js";

const MOST_PINS = 4;

export function clock(at) {
  const seconds = Math.abs(at);
  const two = (value) => String(Math.floor(value)).padStart(2, "0");
  return `${at < 0 ? "−" : ""}${two(seconds / 3600)}:${two((seconds / 60) % 60)}:${(seconds % 60).toFixed(2).padStart(5, "0")}`;
}

export class ChartCursor extends EventTarget {
  #panels;
  #courses;
  #says;
  #table;
  #unpin;
  #ring = null;
  #pins = [];
  #drawing = null;

  // `clocks` are the seconds into the session at each point of each course of the track.
  constructor(panels, clocks, { says, table, unpin }) {
    super();
    this.#panels = panels;
    const lines = [...document.querySelectorAll(".from-above .course")];
    this.#courses = clocks.map((clock, place) => ({ clock, points: lines[place].points })).filter((course) => course.clock.length > 1);
    this.#says = says;
    this.#table = table;
    this.#unpin = unpin;
    this.at = null;
  }

  say(text) { this.#says.textContent = text; }

  // Moves the cursor. Of moments that come before the next frame only the last is drawn.
  set(at, source = "hand") {
    this.at = at;
    this.say([clock(at), ...this.#panels.valuesAt(at).filter((row) => row.value !== null).map((row) => `${row.name} ${written(row.value)} ${row.unit}`.trim())].join("  ·  "));
    this.dispatchEvent(new CustomEvent("moved", { detail: { at, source } }));
    this.#drawing ??= requestAnimationFrame(() => {
      this.#drawing = null;
      this.#panels.setCursor(this.at);
      this.#drawPlace(this.at);
    });
  }

  #drawPlace(at) {
    const course = this.#courses.find(({ clock }) => clock[0] <= at && clock[clock.length - 1] >= at);
    if (!course) {
      this.#ring?.remove();
      this.#ring = null;
      return;
    }
    if (this.#ring === null) {
      this.#ring = drawing("circle", { class: "at-cursor", r: 8 });
      document.querySelector(".from-above svg").append(this.#ring);
    }
    const { x, y } = course.points[nearest(course.clock, at)];
    this.#ring.setAttribute("cx", x);
    this.#ring.setAttribute("cy", y);
  }

  // Keeps the values under the cursor in a table; they stay as they are, however the charts are moved afterwards.
  pin() {
    if (this.at === null) return this.say("Put the cursor on the instant first.");
    if (this.#pins.length >= MOST_PINS) return this.say(`Unpin one of the ${MOST_PINS} instants first.`);
    this.#pins.push({ at: this.at, values: this.#panels.valuesAt(this.at) });
    this.#pins.sort((first, second) => first.at - second.at);
    this.#drawPins();
    return undefined;
  }

  #drawPins() {
    const pins = this.#pins;
    this.#panels.setPins(pins.map((pin) => pin.at));
    this.#table.hidden = !pins.length;
    // The forms that bring two logs together offer the pinned instants.
    document.getElementById("pinned")?.replaceChildren(...pins.map((pin) => element("option", clock(pin.at), { value: pin.at.toFixed(2) })));
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
