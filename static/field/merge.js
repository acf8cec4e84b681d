// What two changes of one record come to: which fields only one side changed, and which both did.

const EMPTY = new Set([null, undefined, ""]);
const MOMENT = /^\d{4}-\d\d-\d\dT/;

// Whether two values are the same content, whoever wrote them: a moment may be written with or without
// milliseconds, and what is empty in one place is left out in another.
export function equal(value, other) {
  if (EMPTY.has(value) || EMPTY.has(other)) return EMPTY.has(value) && EMPTY.has(other);
  if (MOMENT.test(value) && MOMENT.test(other)) return Date.parse(value) === Date.parse(other);
  return JSON.stringify(value) === JSON.stringify(other);
}

export function pick(values, names) {
  return Object.fromEntries(names.filter((name) => name in values).map((name) => [name, values[name]]));
}

// Field by field: `mine` are the names to be written over what is stored, `overlap` those that a person must choose.
// Where it is not known what the change began from, every difference is one to choose.
export function threeWay({ mine, began, stored, names }) {
  const differing = names.filter((name) => !equal(mine[name], stored[name]));
  const known = (name) => began && name in began;
  return {
    mine: differing.filter((name) => known(name) && equal(stored[name], began[name])),
    overlap: differing.filter((name) => !(known(name) && (equal(stored[name], began[name]) || equal(mine[name], began[name])))),
  };
}

// A form against what is stored when it is saved. `began` says what was stored and what was shown when it was drawn;
// `typed` are its values as stored quantities, `texts` the same as they stand in the fields.
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
