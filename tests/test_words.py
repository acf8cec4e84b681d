"""Names of data say what it is. Terms that hide it are retired here; they stay free in prose and sentences."""

import ast
import re
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parent.parent
FOLDERS = ["calc", "buildlog", "sessions", "static", "tests"]
RETIRED = {"told", "found", "one", "said", "stands"}
NAMED = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.ExceptHandler, ast.MatchAs, ast.MatchStar)


def python_names(source):
    """Names that a module gives to data: arguments, assigned and loop variables, defined attributes and functions."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.arg):
            yield node.arg, node.lineno
        elif isinstance(node, ast.Name | ast.Attribute) and isinstance(node.ctx, ast.Store):
            yield node.id if isinstance(node, ast.Name) else node.attr, node.lineno
        elif isinstance(node, NAMED) and node.name:
            yield node.name, node.lineno


COMMENT_OR_TEXT = re.compile(r"//[^\n]*|/\*.*?\*/|\"(?:\\.|[^\"\\\n])*\"|'(?:\\.|[^'\\\n])*'", re.DOTALL)
DECLARED = re.compile(r"\b(?:const|let|var)\s+(\{[^}=]*\}|\[[^\]=]*\]|\w+)|\b(?:function|class)\s+(\w+)")
PARAMETERS = re.compile(r"\(([^()]*(?:\([^()]*\)[^()]*)*)\)\s*(?:=>|\{)|(?<![\w.])(\w+)\s*=>")
PROPERTY = re.compile(r"[{,]\s*(\w+)\s*:(?!:)")
WORD = re.compile(r"(?<![\w.])[A-Za-z_]\w*")


def script_names(source):
    """Names that a script gives to data: declared variables, functions, parameters and properties of objects."""
    plain = COMMENT_OR_TEXT.sub(lambda match: '""' + "\n" * match.group().count("\n"), source)
    for pattern in (DECLARED, PARAMETERS, PROPERTY):
        for match in pattern.finditer(plain):
            line = plain.count("\n", 0, match.start()) + 1
            for name in WORD.findall(" ".join(group for group in match.groups() if group)):
                yield name, line


def retired_in(names):
    """Names that are a retired word or end in one: `found_rows` names rows, and `ONE_DAY` counts.

    The name of a test is a sentence.
    """
    return [
        (name, line)
        for name, line in names
        if name.strip("_").lower().split("_")[-1] in RETIRED and not name.startswith("test_")
    ]


@pytest.mark.parametrize(
    "path",
    [path for folder in FOLDERS for path in sorted((PROJECT / folder).rglob("*")) if path.suffix in (".py", ".js")],
    ids=lambda path: str(path.relative_to(PROJECT)),
)
def test_names_say_what_the_data_is(path):
    names = python_names if path.suffix == ".py" else script_names
    assert retired_in(names(path.read_text())) == []


@pytest.mark.parametrize("source", [
    "def read(told): pass", "found = []", "for one in rows: pass", "[one for one in rows]", "self.said = 1",
    "lambda one: one", "with open(name) as found: pass", "first, (_said, last) = pair", "class A:\n    stands: int = 0",
    "def rows_found(): pass",
])  # fmt: skip
def test_a_retired_name_in_python_is_seen(source):
    assert len(retired_in(python_names(source))) >= 1


@pytest.mark.parametrize("source", [
    "const told = 1;", "let { a, told } = b;", "const { there: found } = b;", "rows.map((one) => one.id);",
    "rows.map(one => 1);", "rows.sort((one, other) => 0);", "function f(first, said = 2) {}",
    "for (const one of rows) {}", "const [one] = rows;",
    "x = { told: null };", "async function found() {}", "rows.filter((row, said) => { return said; });",
])  # fmt: skip
def test_a_retired_name_in_a_script_is_seen(source):
    assert len(retired_in(script_names(source))) >= 1


@pytest.mark.parametrize("source", [
    "// The one that was found", 'say("one was found");', "const record = read();", "/* told, (one) => said */",
    "const someone = 1;", "rows.map((record) => record.told);",
])  # fmt: skip
def test_prose_and_longer_words_are_free_in_a_script(source):
    assert retired_in(script_names(source)) == []
