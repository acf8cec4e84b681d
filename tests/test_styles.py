"""One visual language: what a page may look like stands in the style sheets, and their measures in `tokens.css`."""

import re
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parents[1]
SHEETS = sorted((PROJECT / "static/css").glob("*.css"))
TEMPLATES = [path for path in sorted((PROJECT / "templates").rglob("*.html")) if path.parent.name != "field"]
"""The phone's page has a sheet of its own, for gloves and sun."""
SIZES = {"small", "text", "lead", "title", "figure"}
MOST_LINES = 420


def rules(sheet):
    """Selectors and declarations, without comments."""
    text = re.sub(r"/\*.*?\*/", "", sheet.read_text(), flags=re.DOTALL)
    return re.findall(r"([^{}]+)\{([^{}]*)\}", text)


def declarations(sheet):
    for selector, body in rules(sheet):
        for line in body.split(";"):
            name, _, value = line.partition(":")
            if value.strip():
                yield selector.strip(), name.strip(), value.strip().removesuffix("!important").strip()


def classes_of_sheets():
    return {
        name
        for sheet in SHEETS
        for selector, _ in rules(sheet)
        for name in re.findall(r"\.([A-Za-z_][\w-]*)", selector)
    }


def classes_in(html):
    """Classes that are written out; what a template fills in is in the other tests by what it renders."""
    named = re.findall(r'class="((?:[^"{]|\{\{.*?\}\}|\{%.*?%\})*)"', html)
    return {name for text in named for name in re.sub(r"\{\{.*?\}\}|\{%.*?%\}", " ", text).split()}


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: str(path.relative_to(PROJECT)))
def test_a_template_uses_what_the_sheets_define_and_no_style_of_its_own(template):
    html = template.read_text()
    assert not re.search(r"\sstyle=|<style\b|<font\b|\b(bg)?color=|\balign=", html)
    assert classes_in(html) - classes_of_sheets() == set()


def test_no_sheet_defines_what_nothing_uses():
    used = set().union(*(classes_in(template.read_text()) for template in TEMPLATES))
    code = [*PROJECT.glob("static/js/*.js"), *PROJECT.glob("buildlog/**/*.py"), *PROJECT.glob("sessions/**/*.py")]
    text = " ".join(path.read_text() for path in [*code, *TEMPLATES])
    assert [name for name in classes_of_sheets() - used if not re.search(rf"\b{re.escape(name)}\b", text)] == []


def test_there_are_five_sizes_of_type_and_every_text_has_one_of_them():
    tokens = (PROJECT / "static/css/tokens.css").read_text()
    assert set(re.findall(r"--type-(\w+):", tokens)) == SIZES
    sized = [row for sheet in SHEETS for row in declarations(sheet) if row[1] in ("font", "font-size")]
    assert sized
    for selector, _, value in sized:
        # Code stands in a line of text, a little smaller than it.
        assert value in ("inherit", "0.9em") or "var(--type-" in value, (selector, value)


def test_spaces_are_those_of_the_scale():
    names = re.compile(r"(margin|padding)(-\w+)*|(row-|column-)?gap")
    allowed = re.compile(r"0|auto|-?[1-5]px|var\(--(gap-[1-5]|places-\w+)\)|env\([\w-]+\)|calc\(.*\)")
    for sheet in SHEETS:
        for selector, name, value in declarations(sheet):
            if names.fullmatch(name):
                parts = re.findall(r"calc\([^;]*\)|\S+", value)
                assert all(allowed.fullmatch(part) for part in parts), (sheet.name, selector, name, value)


def test_colours_are_named_in_one_place():
    colour = re.compile(r"#[0-9a-fA-F]{3,8}\b|\b(rgb|hsl|oklch)a?\(|\b(black|white|red|green|blue|grey|gray|orange)\b")
    for sheet in SHEETS:
        if sheet.name != "tokens.css":
            for selector, name, value in declarations(sheet):
                assert not colour.search(value), (sheet.name, selector, name, value)


def test_no_sheet_is_long():
    for sheet in SHEETS:
        assert len(sheet.read_text().splitlines()) <= MOST_LINES, sheet.name


def test_the_specimen_shows_every_component(rf, sign_in):
    """All classes that the sheets define, but for the frame, which the page has around it."""
    from buildlog.hosting.specimen_page import specimen

    client = sign_in("owner")
    request = rf.get("/specimen/")
    request.user, request.session = client.get("/").wsgi_request.user, client.session
    shown = classes_in(specimen(request).content.decode())
    assert classes_of_sheets() - shown == {"invented", "trail"}
