"""The page of methods, and each calculation with a person's own numbers."""

import re
from pathlib import Path

import pytest

from calc.calculator import inputs_of
from calc.catalogue import page_rows
from calc.declaration import CATALOGUE
from calc.results import RESULTS

PROJECT = Path(__file__).resolve().parents[2]
STOPPING = "/methods/traction.stopping_distance_m/"


def test_every_calculation_is_used_by_a_page_or_can_be_tried():
    texts = {
        path: path.read_text() for top in ("calc", "buildlog", "sessions") for path in (PROJECT / top).rglob("*.py")
    }
    for name in CATALOGUE:
        module, function = name.rsplit(".", 1)
        own = PROJECT / f"calc/{module.replace('.', '/')}.py"
        is_used = any(path != own and re.search(rf"\b{function}\b", text) for path, text in texts.items())
        assert is_used or inputs_of(name), name


def test_results_name_calculations_that_there_are():
    for declared in RESULTS.values():
        assert set(declared.kernels) <= set(CATALOGUE), declared.key


def test_each_result_leads_to_its_method_and_back(sign_in):
    page = sign_in("reader").get("/methods/").content.decode()
    anchors = set(re.findall(r' id="([^"]+)"', page))
    for target in re.findall(r'href="#([^"]+)"', page):
        assert target in anchors, target
    for declared in RESULTS.values():
        assert f'id="result-{declared.key}"' in page
        assert all(f'href="#{kernel}"' in page for kernel in declared.kernels)


def test_numbers_typed_in_any_unit_are_worked_out(sign_in):
    """d = v t + v²/(2 μ g): 36 km/h, 0.5 s, 0.1 (g_n of ISO 80000-3:2019): 5 + 100/1.96133 = 55.99 m."""
    page = sign_in("reader").get(STOPPING, {"speed_mps": "36 km/h", "friction": "0,1", "reaction_s": "500 ms"})
    assert page.status_code == 200
    assert [(answer.label, answer.value) for answer in page.context["answers"]] == [("Stopping distance", "56 m")]


@pytest.mark.parametrize(("typed", "words"), [
    ({"speed_mps": "quick", "friction": "0.1"}, "Write for example"),
    ({"speed_mps": "5 V", "friction": "0.1"}, "is not a speed"),
    ({"speed_mps": "10", "friction": "0"}, "Friction must be above 0, got 0"),
    ({"speed_mps": "", "friction": "0.1"}, "Write for example"),
    ({"speed_mps": "nan", "friction": "0.1"}, "Speed_mps must be at least 0 m/s"),
])  # fmt: skip
def test_what_cannot_be_worked_out_is_said_and_stays_typed(sign_in, typed, words):
    page = sign_in("reader").get(STOPPING, typed)
    assert page.status_code == 422
    text = page.content.decode()
    assert words in text
    for value in typed.values():
        assert f'value="{value}"' in text


@pytest.mark.parametrize("name", ["nothing.at_all", "recording.electrical_summary", "x" * 300])
def test_no_such_calculation(sign_in, name):
    assert sign_in("reader").get(f"/methods/{name}/").status_code == 404


def test_every_offered_calculation_opens(sign_in):
    client = sign_in("reader")
    offered = [row.name for _, rows in page_rows() for row in rows if row.can_be_tried]
    assert len(offered) > 50
    for name in offered:
        assert client.get(f"/methods/{name}/").status_code == 200, name
        typed = {field.name: field.default or "1" for field in inputs_of(name)}
        assert client.get(f"/methods/{name}/", typed).status_code in (200, 422), name
