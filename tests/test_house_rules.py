"""The written rules of the house, held against the house."""

import ast
import re
import sys
from pathlib import Path

import pytest_django.fixtures
from django.apps import apps

from buildlog.quantities.declared import quantities_of
from calc.kinds import KINDS
from calc.units import SUFFIXES, registry, suffix_of
from tests.on_postgresql import ONLY_PAGES, WITHOUT_DATABASE

PROJECT = Path(__file__).resolve().parents[1]
OWN_MODELS = [*apps.get_app_config("buildlog").get_models(), *apps.get_app_config("test_sessions").get_models()]
QUANTITIES = [(model, field) for model in OWN_MODELS for field in quantities_of(model)]


def test_a_field_name_ends_in_the_unit_it_is_stored_in():
    for model, field in QUANTITIES:
        stored = KINDS[field.kind].stored
        if stored == "dimensionless":
            assert not suffix_of(field.name), field.name
        else:
            suffix = suffix_of(field.name)
            assert suffix, f"{model.__name__}.{field.name} has no unit in its name"
            assert registry().Unit(SUFFIXES[suffix]) == registry().Unit(stored), field.name


def test_what_is_left_out_on_postgresql_reaches_no_database():
    """Neither by what it imports nor by a fixture: those of the project's conftest, and pytest-django's own."""
    shared = ast.parse((PROJECT / "tests/conftest.py").read_text())
    fixtures = {node.name for node in ast.walk(shared) if isinstance(node, ast.FunctionDef)}
    fixtures |= {name for name, it in vars(pytest_django.fixtures).items() if "ixture" in type(it).__name__}
    assert {"db", "transactional_db", "live_server", "client", "vehicle"} <= fixtures
    allowed = {*sys.stdlib_module_names, "calc", "numpy", "scipy", "pint", "uncertainties", "geographiclib"}
    allowed |= {"pytest", "hypothesis", "statsmodels", "gpxpy"}
    own = ("tests.calc", "tests.doubts", "tests.reference", "tests.simulations")
    allowed -= {"sqlite3", "subprocess"}
    for path in [path for folder in WITHOUT_DATABASE for path in (PROJECT / folder).rglob("*.py")]:
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Import):
                assert {alias.name.split(".")[0] for alias in node.names} <= allowed, path
            elif isinstance(node, ast.ImportFrom) and not node.level:
                assert node.module.split(".")[0] in allowed or node.module.startswith(own), path
            elif isinstance(node, ast.FunctionDef) and (node.name.startswith("test_") or node.decorator_list):
                # Only what pytest calls gets fixtures.
                assert not {item.arg for item in node.args.args} & fixtures, (path, node.name)
            elif isinstance(node, ast.Attribute):
                assert node.attr not in ("django_db", "usefixtures", "getfixturevalue"), path


def test_what_is_left_out_on_postgresql_as_pages_only_asks_nothing_of_the_database_itself():
    """Neither its errors, its queries and their number, nor what happens at the end of a transaction."""
    for path in [PROJECT / only_page for only_page in ONLY_PAGES]:
        assert path.exists()
        for module in path.rglob("test_*.py") if path.is_dir() else [path]:
            for node in ast.walk(ast.parse(module.read_text())):
                if isinstance(node, ast.ImportFrom):
                    assert node.module != "django.db" or [item.name for item in node.names] == ["transaction"], module
                    assert node.module not in ("django.db.models", "django.db.utils", "django.test.utils"), module
                elif isinstance(node, ast.FunctionDef):
                    asked = {item.arg for item in node.args.args}
                    assert not [name for name in asked if "num_queries" in name or "on_commit" in name], module


def test_steps_of_migrations_ask_the_database_that_is_migrated():
    """A copy and a restored backup migrate another one than the site runs on."""
    for path in PROJECT.glob("*/migrations/0*.py"):
        text = path.read_text()
        assert "RunPython(" not in text or "connection.alias" in text, path


def test_no_module_is_named_after_nothing_it_knows_and_none_is_long():
    for path in [*PROJECT.glob("calc/**/*.py"), *PROJECT.glob("buildlog/**/*.py"), *PROJECT.glob("sessions/**/*.py")]:
        assert path.stem not in {"utils", "util", "helpers", "helper", "misc", "common"}
        if "migrations" not in path.parts:
            assert len(path.read_text().splitlines()) <= 400, path


def test_the_readme_gives_the_two_commands():
    text = (PROJECT / "README.md").read_text()
    assert "manage.py serve --demo" in text
    assert re.search(r"<!-- test command -->\n```sh\n[^\n]+ -m pytest -n auto\n```", text)
