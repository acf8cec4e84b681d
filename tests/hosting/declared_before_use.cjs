// Prints each name that a script reads in a declaration before the name's own declaration in that block has run.
// The parser comes with node.

const { parse } = require("internal/deps/acorn/acorn/dist/acorn");
const { full } = require("internal/deps/acorn/acorn-walk/dist/walk");

const source = require("fs").readFileSync(0, "utf8");

function declared(pattern) {
  if (!pattern) return [];
  if (pattern.type === "Identifier") return [pattern.name];
  if (pattern.type === "ObjectPattern") return pattern.properties.flatMap((part) => declared(part.value ?? part.argument));
  if (pattern.type === "ArrayPattern") return pattern.elements.flatMap(declared);
  return declared(pattern.left ?? pattern.argument);
}

// Names that are read as soon as it runs; what a function in it reads comes later.
function read(node) {
  if (!node || typeof node !== "object") return [];
  if (Array.isArray(node)) return node.flatMap(read);
  if (/Function/.test(node.type ?? "")) return [];
  if (node.type === "Identifier") return [node.name];
  if (node.type === "MemberExpression") return [...read(node.object), ...(node.computed ? read(node.property) : [])];
  if (node.type === "Property") return [...(node.computed ? read(node.key) : []), ...read(node.value)];
  return Object.entries(node).flatMap(([name, value]) => (["type", "start", "end"].includes(name) ? [] : read(value)));
}

let blocks = 0;
full(parse(source, { ecmaVersion: "latest", sourceType: "module" }), (node) => {
  const statements = { BlockStatement: node.body, Program: node.body, SwitchCase: node.consequent }[node.type];
  if (!statements) return;
  blocks += 1;
  const parts = statements.filter(({ type, kind }) => type === "VariableDeclaration" && kind !== "var").flatMap(({ declarations }) => declarations);
  parts.forEach((part, index) => {
    const coming = new Set(parts.slice(index).flatMap(({ id }) => declared(id)));
    for (const name of read(part.init)) if (coming.has(name)) console.log(`${name} in ${source.slice(part.start, part.end).slice(0, 200)}`);
  });
});
console.log(blocks);
