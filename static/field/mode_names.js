// When two names of a failure are the same, and when they are near enough to ask. calc/mode_names.py says the same.

export const oneForm = (name) =>
  name.normalize("NFKC").toLowerCase().normalize("NFKC").replaceAll(".", " ").split(/\s+/).filter(Boolean).join(" ");

const pairsOf = (text) => {
  const pairs = new Map();
  for (let index = 0; index < text.length - 1; index += 1) {
    const pair = text.slice(index, index + 2);
    pairs.set(pair, (pairs.get(pair) ?? 0) + 1);
  }
  return pairs;
};

// The share of pairs of letters that two names have in common, whatever the order of the words (Dice, Ecology 26 (1945)
// 297–302).
export function likeness(first, second) {
  const [pairs, others] = [first, second].map((name) => pairsOf(oneForm(name).split(" ").sort().join(" ")));
  let shared = 0;
  let count = 0;
  for (const [pair, times] of pairs) {
    shared += Math.min(times, others.get(pair) ?? 0);
    count += times;
  }
  for (const times of others.values()) count += times;
  return count ? (2 * shared) / count : 0;
}

const NEAR = 0.5;
const MOST_OFFERED = 3;

// Names that may mean the same as what is typed, the likest first; none where one of them is the same.
export function near(name, names) {
  const key = oneForm(name);
  if (key.length < 4 || names.some((known) => oneForm(known) === key)) return [];
  return names.map((known) => [likeness(name, known), known])
    .filter(([share, known]) => share >= NEAR || oneForm(known).startsWith(key))
    .sort(([share, known], [otherShare, other]) => otherShare - share || known.localeCompare(other))
    .slice(0, MOST_OFFERED)
    .map(([, known]) => known);
}
