"""One thing has one name: forms of a name, near names, renaming and joining with their history."""

import html

import pytest

from buildlog.failures.mode_changes import join, rename, take_apart
from buildlog.models import Failure, FailureMode, ModeChange, SignOff
from buildlog.records import history
from calc.mode_names import near, one_form


@pytest.fixture
def came(revision):
    def happen(name):
        return Failure.objects.create(revision=revision, mode=FailureMode.called(name), severity=3)

    return happen


@pytest.mark.parametrize(
    "name",
    [
        "chain came off",
        "Chain  came off",
        "chain came off.",
        " CHAIN CAME OFF … ",
        "chain\u00a0came\toff",
        "ｃｈａｉｎ came off",
    ],
)
def test_case_spaces_dots_and_unicode_make_no_difference(name, came, sign_in, revision):
    """Issue 21: these were three modes and more."""
    first = came("Chain came off")
    client = sign_in("recorder")
    sent = {"revision": revision.pk, "severity": "3", "effect": "none", "happened_at": "2026-01-17T11:20"}
    client.post("/failures/new/", {**sent, "mode_name": name})
    body = {"revision": str(revision.pk), "severity": 3, "mode_name": name, "happened_at": "2026-01-18T11:20Z"}
    assert client.post("/api/v1/failures/", body, content_type="application/json").status_code == 201
    assert set(Failure.objects.values_list("mode", flat=True)) == {first.mode_id}
    assert FailureMode.objects.get().name == "Chain came off"


def test_bulk_created_modes_have_their_form_too(db):
    FailureMode.objects.bulk_create([FailureMode(name="Lamp  out."), FailureMode(name="Belt slipped")])
    assert FailureMode.called("lamp out").name == "Lamp  out."


@pytest.mark.parametrize("name", ["…", " . ", "   "])
def test_a_name_of_dots_is_none(name, sign_in, revision):
    client = sign_in("recorder")
    sent = {"revision": revision.pk, "severity": "3", "effect": "none", "happened_at": "2026-01-17T11:20"}
    assert client.post("/failures/new/", {**sent, "mode_name": name}).status_code == 422
    assert client.post("/api/v1/failure-modes/", {"name": name}, content_type="application/json").status_code == 400
    assert not FailureMode.objects.exists()


def test_a_second_mode_of_the_same_form_is_refused_kindly(came, sign_in):
    came("Chain came off")
    answer = sign_in("recorder").post(
        "/api/v1/failure-modes/", {"name": "chain came off."}, content_type="application/json"
    )
    assert answer.status_code == 400
    assert "is the same mode" in answer.json()["name"][0]


def test_a_new_name_near_to_a_known_one_is_asked_about(came, sign_in, revision):
    came("Chain came off")
    sent = {"revision": revision.pk, "severity": "3", "effect": "none", "happened_at": "2026-01-17T11:20"}
    answer = sign_in("builder").post("/failures/new/", {**sent, "mode_name": "chain fell off"}, follow=True)
    page = html.unescape(answer.content.decode())
    assert "Is “chain fell off” the same as “Chain came off”?" in page
    assert near("chain fell off", ["Chain came off", "Lamp out"]) == ["Chain came off"]


def test_an_old_name_leads_to_the_new_one(came, sign_in):
    mode = came("chain came off").mode
    sign_in("builder").post(f"/failure-modes/{mode.pk}/rename/", {"name": "Chain derailed."})
    assert FailureMode.objects.get().name == "Chain derailed"
    assert FailureMode.called("Chain came off") == mode
    change = ModeChange.objects.get()
    assert (change.old_name, change.kind, change.account.username) == ("chain came off", "renamed", "builder")
    [renamed, made] = history.events_of(mode, "metric")
    assert ("chain came off", "Chain derailed") in [tuple(difference)[1:] for difference in renamed.differences]
    assert (renamed.by, made.change.act) == ("builder", "made")


def test_two_modes_are_joined_and_taken_apart_again(came, vehicle, sign_in):
    first, second = came("chain came off"), came("chain derailed")
    other = came("chain derailed")
    SignOff.objects.create(vehicle=vehicle, mode=second.mode, kind="closed_without_fix", why="A stone.")
    client = sign_in("builder")
    client.post(f"/failure-modes/{second.mode_id}/join/", {"into": str(first.mode_id)})
    assert set(Failure.objects.values_list("mode", flat=True)) == {first.mode_id}
    assert FailureMode.called("Chain derailed") == first.mode
    assert SignOff.objects.get().mode == first.mode
    other.refresh_from_db()
    other.mode = FailureMode.called("belt slipped")
    other.save()
    change = ModeChange.objects.get()
    # What each was is in its history, under who joined them.
    for record in (second, SignOff.objects.get()):
        changed = history.events_of(record, "metric")[0]
        assert changed.by == "builder"
        assert "Mode" in [difference.label for difference in changed.differences]
    assert "with 2 failures" in client.get(f"/failure-modes/{first.mode_id}/").content.decode()
    client.post(f"/failure-modes/take-apart/{change.pk}/")
    for failure in (first, second, other):
        failure.refresh_from_db()
    assert [row.mode.name for row in (first, second, other)] == ["chain came off", "chain derailed", "belt slipped"]
    assert not ModeChange.objects.exists()


def test_a_joined_mode_counts_together(came, revision):
    first, second = came("chain came off"), came("chain derailed")
    assert first.mode != second.mode
    joined = join(second.mode, first.mode)
    assert joined.failures.count() == 2
    renamed = rename(joined, "Chain lost")
    assert take_apart(ModeChange.objects.get(kind="joined")).name == "chain derailed"
    assert renamed.failures.count() == 1


def test_names_of_an_older_installation_are_joined():
    """By the same form as the running code."""
    from importlib import import_module

    old = import_module("buildlog.migrations.0019_states_become_facts").one_form
    for name in ("chain came off", "Chain  came off", "chain came off.", "ＣＨＡＩＮ came off…", "…"):
        assert old(name) == one_form(name)
