"""Who may remove what: recorders only what they made in the last day, and nothing that others' records rest on.

Each record knows who made it, by whichever door it came in; and each change and removal is a line in the log.
"""

from datetime import timedelta

import pytest

from buildlog.models import (
    Failure,
    FailureMode,
    Modification,
    RemovedRecord,
)
from sessions.models import Pass, Reading, TestCardItem, TrackPart
from tests.filled_forms import opened
from tests.records.crew import hang, own, removed_by_api, removed_by_page

# kind of record: (fixture, kind in the API or None, page of removal or None)
KINDS = {
    "session": ("session", "sessions", "/sessions/{}/remove/"),
    "pass": ("timed_pass", "passes", "/sessions/passes/{}/remove/"),
    "reading": ("reading", "readings", "/sessions/readings/{}/remove/"),
    "failure": ("failure", "failures", "/failures/{}/remove/"),
    "venue": ("venue", "venues", "/venues/{}/remove/"),
    "gate": ("gate", "gates", "/gates/{}/remove/"),
    "test card": ("card", "test-cards", "/test-cards/{}/remove/"),
    "card item": ("card_item", "test-card-items", None),
    "track": ("track_part", "track-parts", None),
    "go/no-go": ("go_no_go", "go-no-go-checks", None),
    "mode": ("failure_mode", "failure-modes", None),
    "photo": ("photo", "photos", "/photos/{}/remove/"),
    "voice note": ("voice_note", "voice-notes", "/sessions/voice-notes/{}/remove/"),
    "mark": ("mark_tap", "mark-taps", None),
    "log": ("log", None, "/sessions/logs/{}/remove/"),
}


@pytest.fixture
def failure_mode(db):
    return FailureMode.called("chain came off")


@pytest.fixture
def go_no_go(session):
    from sessions.models import GoNoGoCheck

    return GoNoGoCheck.objects.create(session=session, **dict.fromkeys(GoNoGoCheck.ITEMS, "yes"))


@pytest.fixture
def card_item(card):
    return TestCardItem.objects.create(card=card, what="Coast down twice")


@pytest.fixture
def track_part(session):
    return TrackPart.objects.create(session=session, fixes=[[1.0, 60.0, 25.0, 4.0]])


WHOSE = {
    "their own": ("ilo", timedelta(hours=23), True),
    "their own of two days ago": ("ilo", timedelta(days=2), False),
    "somebody else's": ("mara", timedelta(hours=1), False),
    "nobody's": (None, timedelta(hours=1), False),
}


@pytest.mark.parametrize("whose", WHOSE)
@pytest.mark.parametrize("kind", KINDS)
def test_recorders_remove_their_own_of_the_last_day(kind, whose, request, as_, ilo, mara):
    fixture, api, page = KINDS[kind]
    maker, ago, may = WHOSE[whose]
    for by_api in (True, False):
        record = request.getfixturevalue(fixture)
        record.save(force_insert=not type(record).objects.filter(pk=record.pk).exists())
        own(record, {"ilo": ilo, "mara": mara, None: None}[maker], ago)
        if by_api and api:
            answer = removed_by_api(as_["ilo"], api, record)
            assert answer.status_code == (200 if may else 403), answer.content
            assert may or "A builder can remove it." in answer.json()["detail"]
        elif not by_api and page:
            there = as_["ilo"].get(page.format(record.pk))
            assert there.status_code == (200 if may else 403)
            answer = removed_by_page(as_["ilo"], record, page.format(record.pk))
            assert answer.status_code == (302 if may else 403)
            assert may or "A builder can remove it." in answer.content.decode()
        if may and kind == "log":
            break


@pytest.mark.parametrize("kind", KINDS)
def test_builders_remove_what_anybody_made(kind, request, as_, mara):
    fixture, api, page = KINDS[kind]
    record = own(request.getfixturevalue(fixture), mara, timedelta(days=30))
    if api:
        assert removed_by_api(as_["oona"], api, record).status_code == 200
    else:
        assert removed_by_page(as_["oona"], record, page.format(record.pk)).status_code == 302


@pytest.mark.parametrize("kind", ["passes", "readings", "failures", "track parts", "test card items"])
def test_a_session_that_others_records_rest_on_is_not_a_recorders_to_remove(kind, as_, session, gate, ilo, mara):
    own(session, ilo)
    rows = hang(session, ilo, gate)
    own(rows[kind], mara)
    answer = removed_by_api(as_["ilo"], "sessions", session)
    assert answer.status_code == 403
    assert f"1 {kind} of others" in answer.json()["detail"]
    assert answer.json()["code"] == "not_yours"
    page = removed_by_page(as_["ilo"], session, f"/sessions/{session.pk}/remove/")
    assert page.status_code == 403
    assert f"1 {kind} of others" in page.content.decode()
    own(rows[kind], None)
    assert removed_by_api(as_["ilo"], "sessions", session).status_code == 403
    own(rows[kind], ilo)
    assert removed_by_api(as_["ilo"], "sessions", session).status_code == 200
    assert not Pass.objects.exists()
    assert Failure.objects.get().session is None


def test_a_failure_that_a_builders_modification_answers_is_not_a_recorders_to_remove(as_, failure, revision, ilo):
    own(failure, ilo)
    Modification.objects.create(revision=revision, title="New chain").answers.add(failure)
    answer = removed_by_api(as_["ilo"], "failures", failure)
    assert answer.status_code == 403
    assert "modification" in answer.json()["detail"]


def test_what_the_database_keeps_is_said_to_recorders_too(as_, venue, session, ilo):
    own(venue, ilo)
    answer = removed_by_api(as_["ilo"], "venues", venue)
    assert answer.status_code == 409
    assert "sessions depend on it" in answer.json()["detail"]
    assert (
        "is kept: sessions depend on it" in as_["ilo"].get(f"/venues/{venue.pk}/remove/", follow=True).content.decode()
    )


def test_field_pages_of_format_1_are_refused_without_being_signed_out(as_, reading, ilo, mara):
    """They take any 403 for a lost sign-in, and would send nothing more."""
    own(reading, mara)
    answer = removed_by_api(as_["ilo"], "readings", reading, **{"X-Firnlog-Account": str(ilo.pk)})
    assert answer.status_code == 409
    assert "A builder can remove it." in answer.json()["detail"]


def test_a_removal_names_the_version_it_removes(as_, reading, ilo):
    own(reading, ilo)
    path = f"/api/v1/readings/{reading.pk}/"
    version = as_["ilo"].get(path).json()["version"]
    Reading.objects.update(voltage_v=51.0)
    answer = removed_by_api(as_["ilo"], "readings", reading, **{"If-Match": f'W/"{version}"'})
    assert answer.status_code == 412
    version = as_["ilo"].get(path).json()["version"]
    assert removed_by_api(as_["ilo"], "readings", reading, **{"If-Match": f'W/"{version}"'}).status_code == 200


def test_a_photo_s_removal_is_answered_in_json(as_, photo):
    answer = removed_by_api(as_["oona"], "photos", photo)
    assert answer.json() == {"id": str(photo.pk), "removed": True}


def test_links_to_remove_are_shown_to_whom_they_lead_somewhere(as_, session, reading, timed_pass, ilo):
    own(reading, ilo)
    pages = {who: as_[who].get(f"/sessions/{session.pk}/").content.decode() for who in ("ilo", "oona")}
    for path, mine in ((f"/sessions/{session.pk}", False), (f"/sessions/passes/{timed_pass.pk}", False),
                       (f"/sessions/readings/{reading.pk}", True)):  # fmt: skip
        assert f'href="{path}/remove/"' in pages["oona"]
        assert (f'href="{path}/remove/"' in pages["ilo"]) == mine
        assert f'href="{path}/edit/"' in pages["ilo"]


def test_a_line_that_was_ticked_off_stays_on_a_recorders_card(as_, card, session, mara):
    own(TestCardItem.objects.create(card=card, what="Six passes", outcome="done", session=session), mara)
    own(TestCardItem.objects.create(card=card, what="Rest voltage", position=2), mara)
    path = f"/test-cards/{card.pk}/edit/"
    form = opened(as_["ilo"], path)
    answer = as_["ilo"].post(path, {**form, "items": "Rest voltage"})
    assert answer.status_code == 422
    assert "was ticked off in a session" in answer.content.decode()
    assert as_["ilo"].post(path, {**form, "items": "Six passes"}).status_code == 302
    assert as_["oona"].post(path, {**opened(as_["oona"], path), "items": "Coast down"}).status_code == 302
    assert card.items.get().what == "Coast down"


def test_records_of_two_kinds_under_one_key_go_together(sign_in, session):
    """A client makes the keys; PostgreSQL took the second of one key for a mistake."""
    Reading.objects.create(pk=session.pk, session=session, time_into_session_s=60, voltage_v=51)
    assert sign_in("owner").delete(f"/api/v1/sessions/{session.pk}/").status_code == 200
    assert RemovedRecord.objects.filter(pk=session.pk).count() == 1
