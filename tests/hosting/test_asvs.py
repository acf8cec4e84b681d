"""What the help on security says of ASVS: no item left out, none twice, and every test it names is there.

The numbers are those of the OWASP Application Security Verification Standard 5.0.0 (May 2025), levels 1 and 2.
"""

import ast
import re

from tests.data_folders import PROJECT
from tests.documents import help_text

LEVEL_1 = """
1.2.1-5 1.3.1-2 1.5.1 2.1.1 2.2.1-2 2.3.1 3.2.1-2 3.3.1 3.4.1-2 3.5.1-3 4.1.1 4.4.1 5.2.1-2 5.3.1-2 6.1.1 6.2.1-8
6.3.1-2 6.4.1-2 7.2.1-4 7.4.1-2 8.1.1 8.2.1-2 8.3.1 9.1.1-3 9.2.1 10.4.1-5 11.3.1-2 11.4.1 12.1.1 12.2.1-2 13.4.1
14.2.1 14.3.1 15.1.1 15.2.1 15.3.1
"""
LEVEL_2 = """
1.1.1-2 1.2.6-9 1.3.3-11 1.4.1-3 1.5.2 2.1.2-3 2.2.3 2.3.2-4 2.4.1 3.3.2-4 3.4.3-6 3.5.4-5 3.7.1-2 4.1.2-3 4.2.1
4.3.1-2 4.4.2-4 5.1.1 5.2.3 5.4.1-3 6.1.2-3 6.2.9-12 6.3.3-4 6.4.3-4 6.5.1-5 6.6.1-3 6.8.1-4 7.1.1-3 7.3.1-2 7.4.3-5
7.5.1-2 7.6.1-2 8.1.2 8.2.3 8.4.1 9.2.2-4 10.1.1-2 10.2.1-2 10.3.1-4 10.4.6-11 10.5.1-5 10.6.1-2 10.7.1-3 11.1.1-2
11.2.1-3 11.3.3 11.4.2-4 11.5.1 11.6.1 12.1.2-3 12.3.1-4 13.1.1 13.2.1-5 13.3.1-2 13.4.2-5 14.1.1-2 14.2.2-4 14.3.2-3
15.1.2-3 15.2.2-3 15.3.2-7 16.1.1 16.2.1-5 16.3.1-4 16.4.1-3 16.5.1-3 17.1.1 17.2.1-4 17.3.1-2
"""


def items(text):
    for first, last in re.findall(r"(\d+\.\d+\.\d+)(?:-(\d+))?", text):
        section, _, number = first.rpartition(".")
        yield from (f"{section}.{n}" for n in range(int(number), int(last or number) + 1))


def rows():
    text = help_text("security")
    part = text[text.index("## ASVS 5.0.0") : text.index("## How people come in")]
    return re.findall(r"^\| (\d[\d., ]*) \| (.+) \|$", part, re.MULTILINE)


def test_every_item_of_both_levels_stands_there_once():
    standard = [*items(LEVEL_1), *items(LEVEL_2)]
    assert (len(list(items(LEVEL_1))), len(standard)) == (70, 253)
    told = [item for numbers, _ in rows() for item in items(numbers)]
    assert sorted(told) == sorted(standard)


def test_every_test_that_is_named_is_there():
    there = {
        name
        for path in (PROJECT / "tests").rglob("test_*.py")
        for name in re.findall(r"^def (test_\w+)", path.read_text(), re.M)
    }
    named = {name for _, text in rows() for name in re.findall(r"`(test_\w+)`", text)}
    assert len(named) > 60
    assert named - there == set()


def test_scripts_write_text_and_no_markup():
    """V3.2.2: what is shown is set as text, so that no record can become part of a page."""
    scripts = [*PROJECT.glob("static/**/*.js")]
    assert len(scripts) > 10
    for path in scripts:
        assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(", path.read_text()), path


def test_commands_are_lists_and_no_shell_reads_them():
    """V1.2.5: what was typed can become an argument, never a command: each is a list, and nothing starts a shell."""
    starters, started = {"run", "Popen", "call", "check_call", "check_output"}, 0
    for folder in ("buildlog", "sessions", "calc"):
        for path in (PROJECT / folder).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text())):
                if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                    continue
                owner = node.func.value.id if isinstance(node.func.value, ast.Name) else ""
                assert (owner, node.func.attr) not in {("os", "system"), ("os", "popen")}, path
                if owner == "subprocess" and node.func.attr in starters:
                    started += 1
                    assert not any(keyword.arg == "shell" for keyword in node.keywords), path
                    assert not isinstance(node.args[0], ast.Constant | ast.JoinedStr), path
    assert started >= 5
