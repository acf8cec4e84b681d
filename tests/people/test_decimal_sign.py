"""The decimal sign that a person chose is on pages and in forms; files and /api/ keep their points."""

import re

import pytest

from buildlog.quantities.decimal_sign import COMMA, all_in_chosen_sign, chosen, in_chosen_sign, page_in_chosen_sign
from sessions.models import Session
from tests.filled_forms import fields_of

TAG = re.compile(r"<script.*?</script>|<[^>]*>", re.DOTALL)
DECIMAL_POINT = re.compile(r"(?<![\w.])\d+\.\d+(?![\w.])")


@pytest.fixture
def comma():
    token = chosen.set(COMMA)
    yield
    chosen.reset(token)


@pytest.fixture
def reader_of_commas(sign_in):
    client = sign_in("builder")
    assert client.post("/account/", {"form": "units", "unit_system": "metric", "decimal_sign": ","}).status_code == 302
    return client


def words_of(html):
    return TAG.sub(" ", html)


@pytest.mark.parametrize(
    ("text", "turned"),
    [
        ("49.09 ± 0.90 km/h", "49,09 ± 0,90 km/h"),
        ("It tips at 31.5°.", "It tips at 31,5°."),
        ("R6. 4 days", "R6. 4 days"),
        ("ASVS 5.0.0 at 127.0.0.1", "ASVS 5.0.0 at 127.0.0.1"),
        ("ride1.5.csv, log2.gpx", "ride1.5.csv, log2.gpx"),
        ("2026-03-02 10:34", "2026-03-02 10:34"),
    ],
)
def test_numbers_are_turned_and_nothing_else(comma, text, turned):
    assert in_chosen_sign(text) == turned


def test_only_the_text_of_a_page_is_turned(comma):
    kept = "<code>2.5</code> <b data-as-written>3.5 <b>4.5</b> 5.5</b>"
    page = f'<p title="1.5" aria-label="1.5 km">1.5 {kept} 6.5</p><script>7.5</script>'
    turned = f'<p title="1.5" aria-label="1,5 km">1,5 {kept} 6,5</p><script>7.5</script>'
    assert page_in_chosen_sign(page) == turned
    assert all_in_chosen_sign({"a.b": ["1.5 km", 1.5]}) == {"a.b": ["1,5 km", 1.5]}


def test_nothing_is_turned_for_who_chose_nothing():
    assert in_chosen_sign("1.5") == page_in_chosen_sign("1.5") == "1.5"


def test_pages_are_read_with_commas(reader_of_commas, session, timed_pass, reading):
    for path in (session.get_absolute_url(), "/sessions/", "/passes/", session.revision.get_absolute_url(), "/"):
        words = words_of(reader_of_commas.get(path).content.decode())
        assert DECIMAL_POINT.findall(words) == [], path
    assert re.search(r"\d,\d", words_of(reader_of_commas.get(session.get_absolute_url()).content.decode()))


def test_a_form_begins_with_commas_and_saved_as_it_is_changes_nothing(reader_of_commas, session):
    Session.objects.filter(pk=session.pk).update(distance_m=10250.0)
    page = reader_of_commas.get(f"/sessions/{session.pk}/edit/")
    assert 'value="10,25"' in page.content.decode()
    before = Session.objects.values().get(pk=session.pk)
    assert reader_of_commas.post(f"/sessions/{session.pk}/edit/", fields_of(page)).status_code == 302
    assert Session.objects.values().get(pk=session.pk) == before


def test_what_a_form_says_while_it_is_typed_has_commas(reader_of_commas, session):
    page = reader_of_commas.get(f"/sessions/{session.pk}/edit/")
    sent = {**fields_of(page), "charge_used_ah": "7.5", "check": "script"}
    answer = reader_of_commas.post(f"/sessions/{session.pk}/edit/", sent).json()
    assert "7,5 Ah" in answer["understood"]["charge_used_ah"]


def test_files_and_the_interface_keep_their_points(reader_of_commas, session):
    Session.objects.filter(pk=session.pk).update(air_temperature_c=-10.5)
    assert "-10.5" in reader_of_commas.get("/sessions/?export=csv").content.decode()
    assert reader_of_commas.get(f"/api/v1/sessions/{session.pk}/").json()["air_temperature_c"] == -10.5
    results = reader_of_commas.get(f"/api/v1/sessions/{session.pk}/results/").content.decode()
    assert not re.search(r"\d,\d+ (km|Wh|V)", results)


def test_help_and_versions_stay_as_they_are_written(reader_of_commas):
    assert "5.0.0" in reader_of_commas.get("/help/security/").content.decode()
    assert re.search(r"data-as-written>\d+\.\d+", reader_of_commas.get("/settings/").content.decode())


def test_an_unknown_sign_is_refused(sign_in):
    sent = {"form": "units", "unit_system": "metric", "decimal_sign": ";"}
    assert sign_in("reader").post("/account/", sent).status_code == 422
