"""The order of rooms: a room knows those before it, and none after it.

`calc` knows nobody, `buildlog` knows `calc`, `sessions` knows both. `hosting` and `config` serve the whole site and see
everything; so do the modules that gather an app's models, its commands, in no room of their own.
"""

import ast
import re
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parents[1]
ROOMS = {
    "buildlog": [
        "quantities",
        "storage",
        "people",
        "records",
        "machines",
        "photos",
        "failures",
        "upkeep",
        "hosting",
        "config",
    ],
    "sessions": ["drawing", "outings", "logs", "evidence", "trials", "bench", "field", "sharing", "demo"],
}
SEES_EVERYTHING = {"buildlog.hosting", "buildlog.config"}
GATHERED = {"apps", "management", "migrations", "models", "templatetags"}
# Columns that lead to a later room. They were there before the rooms were, and tables stay as they are. What a form
# offers for such a column, and where a page sends its reader, comes from the column itself.
COLUMNS = {
    ("buildlog.people", "buildlog.machines"): {"DeviceToken.vehicle"},
    ("buildlog.photos", "buildlog.failures"): {"Photo.failure"},
    ("buildlog.photos", "sessions.outings"): {"Photo.session"},
    ("buildlog.failures", "sessions.outings"): {"Failure.session", "Evidence.reading"},
}
DOTTED_NAME = re.compile(r"(calc|buildlog|sessions)(\.\w+)+")
ORDER = ["calc", *(f"{app}.{room}" for app, rooms in ROOMS.items() for room in rooms)]


def room_of(module):
    """The room of a dotted name, or None for what is gathered from all rooms of an app."""
    app, *rest = module.split(".")
    if app == "calc":
        return "calc"
    if app not in ROOMS or not rest or rest[0] not in ROOMS[app]:
        return None
    return f"{app}.{rest[0]}"


def modules():
    files = [path for app in ("calc", *ROOMS) for path in sorted((PROJECT / app).rglob("*.py"))]
    return {".".join(path.relative_to(PROJECT).with_suffix("").parts).removesuffix(".__init__"): path for path in files}


MODULES = modules()
GATHERED_MODELS = {
    f"{app}.models.{alias.name}": node.module
    for app in ROOMS
    for node in ast.parse((PROJECT / app / "models.py").read_text()).body
    if isinstance(node, ast.ImportFrom) and node.module
    for alias in node.names
}


def names_in(tree):
    """Every module that a file reaches: by import, by a dotted name in a string, or by a model's lazy name."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                name = f"{node.module}.{alias.name}"
                yield GATHERED_MODELS.get(name, name)
        elif isinstance(node, ast.Constant) and DOTTED_NAME.fullmatch(str(node.value)):
            yield node.value


def step_back(room, module):
    """The later room that a module is of, or None."""
    reached = room_of(module)
    if reached is None or room in SEES_EVERYTHING or reached == room:
        return None
    return reached if ORDER.index(reached) > ORDER.index(room) else None


def steps_back(name, source):
    room = room_of(name)
    if room is None:
        return []
    return [f"{name} -> {module}" for module in names_in(ast.parse(source)) if step_back(room, module)]


def test_a_room_imports_from_none_after_it():
    assert [step for name, path in MODULES.items() for step in steps_back(name, path.read_text())] == []


@pytest.mark.parametrize(
    "source",
    [
        "from sessions.outings.models import Session",
        "from sessions.models import Session",
        "def late():\n    import sessions.trials.season_pages",
        "importlib.import_module('sessions.trials.pages')",
        "from buildlog.failures import loop",
        "from buildlog.models import Failure",
    ],
)
def test_a_step_back_is_seen(source):
    assert steps_back("buildlog.machines.machine", source)


def test_steps_forward_are_none():
    assert steps_back("sessions.trials.pages", "from buildlog.models import Failure\nfrom calc import speed") == []
    assert steps_back("buildlog.machines.machine", "from buildlog.models import Vehicle") == []


def test_calc_knows_no_framework_and_none_of_the_apps():
    reached = {
        (name, module.partition(".")[0])
        for name, path in MODULES.items()
        if room_of(name) == "calc"
        for module in names_in(ast.parse(path.read_text()))
    }
    assert {(name, package) for name, package in reached if package in {"django", "rest_framework", *ROOMS}} == set()


def test_columns_that_lead_to_a_later_room_are_listed():
    from django.apps import apps

    results = {}
    for app in ("buildlog", "test_sessions"):
        for model in apps.get_app_config(app).get_models():
            for field in model._meta.get_fields():
                if field.concrete and field.is_relation and field.related_model and not model._meta.auto_created:
                    here, there = room_of(model.__module__), room_of(field.related_model.__module__)
                    if here and there and ORDER.index(there) > ORDER.index(here):
                        results.setdefault((here, there), set()).add(f"{model.__name__}.{field.name}")
    assert results == COLUMNS


def test_every_module_is_in_a_room_or_gathers():
    outside = []
    for name in MODULES:
        app, *rest = name.split(".")
        if app in ROOMS and rest and room_of(name) is None and rest[0] not in GATHERED:
            outside.append(name)
    assert outside == []


def test_every_room_says_what_it_is():
    for app, rooms in ROOMS.items():
        for room in rooms:
            assert ast.get_docstring(ast.parse((PROJECT / app / room / "__init__.py").read_text())), f"{app}.{room}"


def test_templates_and_tests_are_in_the_same_rooms():
    rooms = {room for rooms in ROOMS.values() for room in rooms}
    assert {path.name for path in (PROJECT / "templates").iterdir() if path.is_dir()} - {"django"} <= rooms
    others = {"browser", "calc", "doubts", "faults", "page_costs", "reference", "simulations", "__pycache__"}
    assert {path.name for path in (PROJECT / "tests").iterdir() if path.is_dir()} - others <= rooms
