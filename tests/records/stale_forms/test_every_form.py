"""The same of every form there is, and of records that were removed meanwhile."""

import json

import pytest

from buildlog.models import Fitting, Part, Photo, Vehicle
from buildlog.records.form_merge import BEGAN_FROM
from sessions.models import (
    Assumptions,
    Reading,
    TestCard,
    TestCardItem,
    Venue,
)
from tests.filled_forms import fields_of, opened
from tests.records.stale_forms.pages import CARD, PASS, SESSION

# kind: (page, fixture, a field, what is typed, what is stored meanwhile by whom, another field and its value)
FORMS = {
    "vehicle": ("/vehicles/{}/edit/", "vehicle", {"purpose": "Mine"}, {"name": "Theirs"}, {"purpose": "Other"}),
    "revision": ("/revisions/{}/edit/", "revision", {"purpose": "Mine"}, {"date": "2026-01-12"}, {"purpose": "Other"}),
    "part": ("/parts/{}/edit/", "battery", {"notes": "Mine"}, {"mass_kg": 4.75}, {"notes": "Other"}),
    "fitting": ("/revisions/fittings/{}/edit/", "fitting", {"x_m": "0.5"}, {"z_m": 0.3}, {"x_m": 0.9}),
    "piece": ("/pieces/{}/edit/", "individual", {"notes": "Mine"}, {"cycles_before": 3}, {"notes": "Other"}),
    "place of a piece": (
        "/pieces/places/{}/edit/", "individual_fitting", {"removed_on": "2026-03-01"}, None,
        {"removed_on": "2026-03-02"},
    ),
    "upkeep": (
        "/upkeep-items/{}/edit/", "upkeep_item", {"notes": "Mine"}, {"every_days": 30}, {"notes": "Other"},
    ),
    "done": (
        "/upkeep-checks/{}/edit/", "upkeep_check", {"finding": "Mine"}, {"done_by": "Ola"}, {"finding": "Other"},
    ),
    "tilt test": (
        "/revisions/balance-tests/{}/edit/", "balance_test", {"notes": "Mine"}, {"load_kg": 70.0}, {"notes": "Other"},
    ),
    "modification": ("/modifications/{}/edit/", "modification", {"title": "My"}, {"reason": "It"}, {"title": "Other"}),
    "verification": (
        "/verifications/{}/edit/", "verification", {"finding": "Mine"}, {"done_by": "Ola"}, {"finding": "Other"},
    ),
    "failure": ("/failures/{}/edit/", "failure", {"conditions": "Mine"}, {"severity": 2}, {"conditions": "Other"}),
    "venue": ("/venues/{}/edit/", "venue", {"notes": "Mine"}, {"name": "Far lake"}, {"notes": "Other"}),
    "gate": ("/gates/{}/edit/", "gate", {"name": "Mine"}, {"u_distance_m": 0.5}, {"name": "Other"}),
    "session": (SESSION, "session", {"notes": "Mine"}, {"surface": "slush"}, {"notes": "Other"}),
    "pass": (PASS, "timed_pass", {"duration_s": "6"}, {"direction": "back"}, {"duration_s": 7.0}),
    "reading": ("/sessions/readings/{}/edit/", "reading", {"note": "Mine"}, {"current_a": 41.0}, {"note": "Other"}),
    "photo": ("/photos/{}/edit/", "photo", {"caption": "Mine"}, None, {"caption": "Other"}),
    "test card": (CARD, "card_with_a_line", {"limits": "Mine"}, {"title": "Theirs"}, {"limits": "Other"}),
    "trial": ("/trials/{}/edit/", "trial", {"note": "Mine"}, {"planned_days": 8}, {"note": "Other"}),
    "formula": ("/formulas/{}/edit/", "formula", {"notes": "Mine"}, {"unit": "kW"}, {"notes": "Other"}),
    "instrument": ("/instruments/{}/edit/", "instrument", {"notes": "Mine"}, {"name": "Theirs"}, {"notes": "Other"}),
    "assumptions": (
        "/vehicles/{}/assumptions/", "assumptions", {"u_voltage_v": "0.2"}, {"u_press_s": 0.3}, {"u_voltage_v": 0.4},
    ),
}  # fmt: skip


@pytest.fixture
def assumptions(vehicle):
    return Assumptions.objects.create(vehicle=vehicle)


@pytest.fixture
def card_with_a_line(card):
    TestCardItem.objects.create(card=card, what="Coast down")
    return card


@pytest.fixture
def open_form(request, client):
    """A kind's record, the address of its form, and the form as it was opened."""

    def open_it(kind):
        path, fixture, *_ = FORMS[kind]
        record = request.getfixturevalue(fixture)
        path = path.format(record.pk)
        return record, path, opened(client, path)

    return open_it


def stored(record):
    return {column.attname: getattr(type(record).objects.get(pk=record.pk), column.attname)
            for column in record._meta.concrete_fields}  # fmt: skip


@pytest.mark.parametrize("kind", [kind for kind, values in FORMS.items() if values[3]])
def test_every_form_writes_what_was_changed_in_it_and_nothing_else(kind, client, open_form):
    record, path, form = open_form(kind)
    typed, elsewhere = FORMS[kind][2:4]
    type(record).objects.filter(pk=record.pk).update(**elsewhere)
    before = stored(record)
    answer = client.post(path, {**form, **typed})
    assert answer.status_code == 302
    after = stored(record)
    assert {name for name in after if after[name] != before[name]} == set(typed)


@pytest.mark.parametrize("kind", FORMS)
def test_every_form_shows_both_versions_of_a_conflict_and_keeps_what_was_typed(kind, client, open_form):
    record, path, form = open_form(kind)
    typed, other = FORMS[kind][2], FORMS[kind][4]
    type(record).objects.filter(pk=record.pk).update(**other)
    before = stored(record)
    answer = client.post(path, {**form, **typed})
    [name], [text], [value] = typed, typed.values(), other.values()
    assert answer.status_code == 409
    assert stored(record) == before
    assert fields_of(answer)[name] == text
    [(conflict, _)] = answer.context["attempt"].conflicts
    [change] = [item for item in conflict.changes if item.name == name]
    assert change.stored.split()[0] == f"{value:g}" if isinstance(value, float) else change.stored == value
    assert client.post(path, {**fields_of(answer), conflict.choice_name: "mine"}).status_code == 302
    assert stored(record) != before


@pytest.mark.parametrize("kind", FORMS)
def test_an_untouched_form_changes_nothing(kind, client, open_form):
    record, path, form = open_form(kind)
    before = stored(record)
    assert client.post(path, form).status_code == 302
    assert stored(record) == before


REMADE = [kind for kind in FORMS if kind not in ("photo", "assumptions")]


@pytest.mark.parametrize("kind", REMADE)
def test_what_was_typed_goes_into_a_new_record_where_the_old_one_was_removed(kind, client, open_form):
    record, path, form = open_form(kind)
    if kind == "vehicle":
        record.revisions.all().delete()
    record.delete()
    record.pk = path.split("/")[-3]
    typed = FORMS[kind][2]
    answer = client.post(path, {**form, **typed})
    assert answer.status_code == 409
    assert "This record was deleted elsewhere while its form was open" in answer.content.decode()
    assert not type(record).objects.filter(pk=record.pk).exists()
    [name], [text] = typed, typed.values()
    assert fields_of(answer)[name] == text
    made = client.post(path, fields_of(answer))
    assert made.status_code == 302
    assert client.get(made.url).status_code == 200
    value = getattr(type(record).objects.get(pk=record.pk), name)
    assert value == float(text) if isinstance(value, float) else str(value) == text


@pytest.mark.parametrize(
    ("path", "form"),
    [
        ("/sessions/passes/{timed_pass}/edit/", {"invalid_reason": "Braked before the mark"}),
        ("/sessions/{session}/new-reading/", {"note": "Braked before the mark"}),
        ("/photos/{photo}/edit/", {"caption": "Braked before the mark"}),
    ],
)
def test_what_was_typed_is_shown_where_all_it_belonged_to_is_gone(path, form, client, request, session, timed_pass):
    name = path[path.find("{") + 1 : path.find("}")]
    path = path.replace(f"{{{name}}}", str(request.getfixturevalue(name).pk))
    data = opened(client, path)
    session.delete()
    answer = client.post(path, {**data, **form, "password": "frost-and-chain-77"})
    words = answer.content.decode()
    assert answer.status_code == 404
    assert "What you wrote was not saved" in words
    assert "Braked before the mark" in words
    assert "frost-and-chain" not in words
    assert "began" not in words


def test_a_stranger_who_sends_a_form_into_nothing_is_shown_nothing(db, session):
    from django.test import Client

    assert b"frost" not in Client().post("/nowhere/", {"notes": "frost"}).content


@pytest.mark.parametrize("model", [Vehicle, Part, Fitting, Venue, Reading, Photo, TestCard])
def test_a_form_of_no_record_is_not_found(model, client, db):
    from uuid import uuid4

    pages = {Fitting: "revisions/fittings", Reading: "sessions/readings", TestCard: "test-cards"}
    path = f"/{pages.get(model, f'{model._meta.model_name}s')}/{uuid4()}/edit/"
    assert client.get(path).status_code == 404
    assert client.post(path, {}).status_code == 404


@pytest.mark.parametrize(
    "value", ["\x00", "9" * 5000, "<script>alert(1)</script>", "‮", "[]", "é" * 300, "2026-13-45T99:99"]
)
@pytest.mark.parametrize("kind", FORMS)
def test_whatever_a_form_says_it_began_from_breaks_nothing(kind, value, client, open_form):
    record, path, form = open_form(kind)
    names = [name for name in form if name not in (BEGAN_FROM, "csrfmiddlewaretoken")]
    forged = {
        "shown": dict.fromkeys(names, value),
        "units": value,
        "belongs_to": {"session": value},
        "undecided": names,
    }
    typed = [dict.fromkeys(names, value), form, {f"keep_{name}": value for name in names}]
    for values in typed:
        for began in (form[BEGAN_FROM], json.dumps(forged), json.dumps({**forged, "shown": {names[0]: [value, {}]}})):
            answer = client.post(path, {**form, **values, BEGAN_FROM: began})
            assert answer.status_code in (302, 409, 422)
            assert b"<script>alert(1)</script>" not in answer.content
    if kind in REMADE and kind != "vehicle":
        type(record).objects.filter(pk=record.pk).delete()
        answer = client.post(path, {**form, BEGAN_FROM: json.dumps(forged), "make_anew": "yes"})
        assert answer.status_code in (302, 404, 409, 422)
