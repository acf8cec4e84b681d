"""What is installed: one tried version of each package with its hashes, out of the ranges in pyproject.toml."""

import json
import re
import subprocess
import sys
import tomllib
from importlib import metadata

import pytest
from packaging.markers import default_environment
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from buildlog.hosting import stores
from buildlog.hosting.version import VERSION
from tests.data_folders import PROJECT
from tests.documents import block

DECLARED = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]
FILES = {"requirements.txt": "run", "tests/requirements.txt": "tests"}
MACHINES = [
    {**default_environment(), "python_version": version, "python_full_version": f"{version}.0",
     "platform_machine": machine, "sys_platform": "linux", "platform_system": "Linux", "extra": ""}
    for version in ("3.11", "3.12", "3.13") for machine in ("x86_64", "aarch64")
]  # fmt: skip


def pinned(file):
    """The version of each package in a file of requirements; every line of it must be one that was understood."""
    text = re.sub(r"^\s*#.*\n", "", (PROJECT / file).read_text(), flags=re.MULTILINE)
    packages = {}
    for entry in text.replace("\\\n", " ").splitlines():
        requirement, *hashes = entry.split("--hash=")
        item = Requirement(requirement.strip())
        (specifier,) = item.specifier
        assert specifier.operator == "==", entry
        assert "*" not in specifier.version, entry
        assert hashes, f"{item.name} has no hash"
        assert all(re.fullmatch(r"sha256:[0-9a-f]{64}", text.strip()) for text in hashes), entry
        if item.marker is None or any(item.marker.evaluate(machine) for machine in MACHINES):
            packages[canonicalize_name(item.name)] = specifier.version
    return packages


def declared(file):
    extras = DECLARED["optional-dependencies"]
    texts = [*DECLARED["dependencies"], *(extras["tests"] + extras["s3"] if FILES[file] == "tests" else [])]
    return [Requirement(text) for text in texts if not text.startswith("firnlog[")]


@pytest.mark.parametrize("file", FILES)
def test_every_package_is_there_in_one_version_with_its_hashes(file):
    """What is declared, and all that those need in turn, on each machine that is meant."""
    packages = pinned(file)
    waiting, seen = [(item, frozenset(item.extras)) for item in declared(file)], set()
    while waiting:
        requirement, extras = waiting.pop()
        name = canonicalize_name(requirement.name)
        assert name in packages, f"{requirement} is missing"
        assert requirement.specifier.contains(packages[name], prereleases=True), requirement
        if (name, extras) in seen:
            continue
        seen.add((name, extras))
        for text in metadata.requires(name) or []:
            needed = Requirement(text)
            if needed.marker is None or any(
                needed.marker.evaluate({**machine, "extra": extra}) for machine in MACHINES for extra in extras | {""}
            ):
                waiting.append((needed, frozenset(needed.extras)))
    assert set(packages) == {name for name, _ in seen}


def test_what_is_tried_is_what_is_installed():
    runs, tests = pinned("requirements.txt"), pinned("tests/requirements.txt")
    assert {name: tests.get(name) for name in runs} == runs


@pytest.mark.parametrize("file", FILES)
def test_the_command_that_made_them_is_the_documented_one(file):
    (made_by,) = re.findall(r"^#    uv (.*)$", (PROJECT / file).read_text(), re.MULTILINE)
    commands = [" ".join(line.replace("\\\n", "").split()) for line in block("requirements").split("&&")]
    assert f".venv/bin/uv {made_by}" in commands


def test_a_bill_of_materials_is_made_by_one_command(tmp_path):
    command = block("bill of materials").replace("bill-of-materials.json", str(tmp_path / "bill.json"))
    program, *arguments = command.split()
    assert program == ".venv/bin/cyclonedx-py"
    subprocess.run(
        [sys.executable, "-m", "cyclonedx_py", *arguments], cwd=PROJECT, check=True, capture_output=True, text=True
    )
    bill = json.loads((tmp_path / "bill.json").read_text())
    assert bill["bomFormat"] == "CycloneDX"
    root = bill["metadata"]["component"]
    assert (root["name"], root["version"]) == ("firnlog", VERSION)
    assert {part["name"]: part["version"] for part in bill["components"]} == pinned("requirements.txt")
    assert all(part["externalReferences"][0]["hashes"] for part in bill["components"])


def test_what_is_said_twice_is_said_alike():
    assert DECLARED["version"] == VERSION
    assert DECLARED["optional-dependencies"]["s3"] == [stores.S3_PACKAGE]
    assert DECLARED["requires-python"] == ">=3.11"
