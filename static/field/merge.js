// Three-way merge of a record: fields that only one side changed, and fields that both did.

const EMPTY = new Set([null, undefined, ""]);
const MOMENT = /^\d{4}-\d\d-\d\dT/;

// Whether two values are equal in content: a time may be written with or without milliseconds, and an empty
// value may be left out.
export function equal(value, other) {
  if (EMPTY.has(value) || EMPTY.has(other)) return EMPTY.has(value) && EMPTY.has(other);
  if (MOMENT.test(value) && MOMENT.test(other)) return Date.parse(value) === Date.parse(other);
  return JSON.stringify(value) === JSON.stringify(other);
}

export function pick(values, names) {
  return Object.fromEntries(names.filter((name) => name in values).map((name) => [name, values[name]]));
}

// Returns the names of fields to overwrite (`mine`) and of conflicts that a person must resolve (`overlap`).
// If the original value of a field is not known, every difference is a conflict.
export function threeWay({ mine, began, stored, names }) {
  const differing = names.filter((name) => !equal(mine[name], stored[name]));
  const known = (name) => began && name in began;
  return {
    mine: differing.filter((name) => known(name) && equal(stored[name], began[name])),
    overlap: differing.filter((name) => !(known(name) && (equal(stored[name], began[name]) || equal(mine[name], began[name])))),
  };
}

// Compares a form with the stored values when it is saved. `began` holds the stored and the shown values when it was
// drawn, `typed` its values in stored units, `texts` the text of its fields.
export function formChanges({ typed, texts, began, now }) {
  const changes = {};
  const overlap = [];
  for (const [name, value] of Object.entries(typed)) {
    const untouched = (texts[name] ?? "") === began.shown[name];
    const moved = !equal(now[name], began.stored[name]);
    if (equal(value, now[name]) || (untouched && moved)) continue;
    if (moved) overlap.push(name);
    else changes[name] = value;
  }
  return { changes, overlap };
}
