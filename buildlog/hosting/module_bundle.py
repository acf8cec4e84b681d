"""The modules of a page as one script, because one compresses better than forty and takes one request.

Each module becomes a function of its own, in the order in which a browser would run them, so that no name of one can
meet a name of another. The script exports them all as `modules`, by their names.
"""

from __future__ import annotations

import functools
import re
import subprocess
import sys
from pathlib import Path

IMPORT = re.compile(r'^import (\{[^}]*\}) from "\./(\w+)\.js";\n', re.MULTILINE)
REEXPORT = re.compile(r'^export \{([^}]*)\} from "\./(\w+)\.js";\n', re.MULTILINE)
EXPORT = re.compile(r"^export (?=(?:async )?(?:function\*?|const|class) (\w+))", re.MULTILINE)
MINIFY = "import sys, minify; sys.stdout.write(minify.string(sys.argv[1], sys.stdin.read()))"
DESTRUCTURED = re.compile(r"^([ ]*)const (?=[{\[])", re.MULTILINE)
ANY_OTHER = re.compile(r"^(?:import|export)\b.*|\bimport(?:\(|\.meta).*", re.MULTILINE)


class NotBundled(ValueError):
    """A module is written in a way that the bundle does not know; the message names module and line."""


def bundle(entry: Path) -> str:
    """The script of `entry` and all that it imports, directly or not, from its own folder.

    Raises NotBundled for a circle of imports, and for any other import or export than of names.
    """
    wrapped: dict[str, str] = {}
    _add(entry, wrapped, ())
    names = ", ".join(f"{name}: {_variable(name)}" for name in wrapped if name != entry.stem)
    return "".join(wrapped.values()) + f"export const modules = {{{names}}};\n"


def _add(path: Path, wrapped: dict[str, str], importers: tuple[str, ...]) -> None:
    name = path.stem
    if name in importers:
        raise NotBundled(f"{' imports '.join([*importers[importers.index(name) :], name])}: a circle.")
    if name in wrapped:
        return
    source = path.read_text()
    for match in re.finditer(r'^(?:import|export) \{[^}]*\} from "\./(\w+)\.js";', source, re.MULTILINE):
        _add(path.with_name(f"{match[1]}.js"), wrapped, (*importers, name))
    exported: list[str] = []

    def reexport(match: re.Match[str]) -> str:
        exported.extend(part.strip() for part in match[1].split(",") if part.strip())
        return f"const {{{match[1]}}} = {_variable(match[2])};\n"

    def import_(match: re.Match[str]) -> str:
        return f"const {match[1].replace(' as ', ': ')} = {_variable(match[2])};\n"

    def export(match: re.Match[str]) -> str:
        exported.append(match[1])
        return ""

    body = EXPORT.sub(export, REEXPORT.sub(reexport, IMPORT.sub(import_, source)))
    if other := ANY_OTHER.search(body):
        raise NotBundled(f"{path.name}: {other[0]}")
    # Only what comes last may wait: a module that others import runs at once.
    start = "await (async () => {" if not importers else f"const {_variable(name)} = (() => {{"
    wrapped[name] = f"{start}\n{body}return {{{', '.join(exported)}}};\n}})();\n"


def minified(script: str) -> str:
    """The script without comments, with short names inside its functions.

    The minifier joins declarations that follow each other, and puts `const {a} = f({b})` before the `const b` that it
    reads. What takes values apart is declared by `let`, so that it is never joined with a `const`;
    `tests/hosting/test_module_bundle.py` looks at what comes out.
    """
    return _shorter("application/javascript", DESTRUCTURED.sub(r"\1let ", script))


@functools.lru_cache(maxsize=4)
def minified_styles(styles: str) -> str:
    """The styles without comments and white space. Those that are collected come here once for each pass."""
    return _shorter("text/css", styles)


def _shorter(media_type: str, text: str) -> str:
    """Minified by a process of its own.

    The minifier is written in Go, whose runtime starts threads that stay. `serve` forks its workers from the process
    that collects the static files, and a fork of a process with threads may hang.
    """
    command = [sys.executable, "-X", "utf8", "-c", MINIFY, media_type]
    return subprocess.run(command, input=text, stdout=subprocess.PIPE, encoding="utf-8", check=True).stdout


def _variable(module: str) -> str:
    return f"${module}"
