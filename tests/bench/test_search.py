"""The search over everything."""

from datetime import UTC, datetime

import pytest

from buildlog.models import Modification, Part
from sessions.bench.search import KINDS, SHOWN
from sessions.models import Reading, Session


def titles(client, text):
    return {
        hits.title: [hit.label for hit in hits.rows]
        for hits in client.get("/search/", {"q": text}).context["search"].hits
    }


@pytest.fixture
def everything(failure, modification, venue, gate, battery, session, card, trial):
    session.notes = "Ragnhild rode over Ärmel ice; a long note " + "and on " * 40 + "until the bracket bent"
    session.save()
    return session


def test_each_kind_of_record_is_found_by_its_words(sign_in, everything, failure, modification, venue, battery, vehicle):
    client = sign_in("reader")
    for text, title in (
        (vehicle.name, "Machines"),
        (modification.title, "Modifications"),
        ("Ragnhild", "Sessions"),
        (failure.mode.name, "Failures"),
        (failure.mode.name, "Names of failures"),
        (battery.name, "Parts"),
        (venue.name, "Venues"),
    ):
        assert title in titles(client, text), (text, title)


def test_every_word_must_be_held(sign_in, everything):
    client = sign_in("reader")
    assert "Sessions" in titles(client, "ragnhild BRACKET")
    assert "Sessions" not in titles(client, "ragnhild trombone")


def test_letters_beyond_english_are_found_in_either_case(sign_in, everything):
    assert "Sessions" in titles(sign_in("reader"), "ärmel")


def test_a_day_and_a_month_find_sessions(sign_in, everything):
    Session.objects.filter(pk=everything.pk).update(started_at=datetime(2026, 2, 24, 12, tzinfo=UTC))
    client = sign_in("reader")
    assert "Sessions" in titles(client, "2026-02-24")
    assert "Sessions" in titles(client, "2026-02")
    assert "Sessions" not in titles(client, "2026-02-25")
    assert titles(client, "2026-13-45") == {}
    assert "Sessions" not in titles(client, "9999-12")


def test_a_revision_is_found_by_its_label(sign_in, everything):
    assert titles(sign_in("reader"), "R1")["Revisions"] == [str(everything.revision)]


def test_a_note_is_shown_around_the_word(sign_in, everything):
    hits = sign_in("reader").get("/search/", {"q": "bent"}).context["search"].hits
    detail = next(hit.detail for result in hits if result.title == "Sessions" for hit in result.rows)
    assert "bracket bent" in detail
    assert len(detail) < 200


def test_a_note_of_a_reading_leads_to_its_session(sign_in, session):
    Reading.objects.create(session=session, time_into_session_s=60, voltage_v=52, note="smelled of hot lacquer")
    client = sign_in("reader")
    hits = client.get("/search/", {"q": "lacquer"}).context["search"].hits
    assert [hit.address for hit in hits[0].rows] == [session.get_absolute_url()]


def test_only_who_admits_people_finds_them(sign_in, other_account):
    assert "People" in titles(sign_in("owner"), other_account.username)
    assert "People" not in titles(sign_in("builder"), other_account.username)


def test_many_hits_are_cut_and_said_to_be(sign_in, db):
    Part.objects.bulk_create(Part(name=f"Bolt M{number}", category="other") for number in range(SHOWN + 3))
    client = sign_in("reader")
    answer = client.get("/search/", {"q": "bolt"})
    assert len(answer.context["search"].hits[0].rows) == SHOWN
    assert "Another word narrows them down" in answer.content.decode()


@pytest.mark.parametrize("text", ["%", "_", "'", "\0", "x" * 5000, "\u202e", "R99999", "<script>", "a " * 300])
def test_odd_words_are_only_words(sign_in, everything, text):
    answer = sign_in("owner").get("/search/", {"q": text})
    assert answer.status_code == 200
    assert "<script>alert" not in answer.content.decode()


def test_a_per_cent_sign_stands_for_itself(sign_in, revision):
    Modification.objects.create(revision=revision, title="Half ratio")
    client = sign_in("reader")
    assert titles(client, "%") == {}
    Modification.objects.create(revision=revision, title="50 % longer runners")
    assert titles(client, "%") == {"Modifications": ["50 % longer runners"]}


def test_queries_are_one_for_each_kind(sign_in, everything, django_assert_num_queries):
    client = sign_in("reader")
    with django_assert_num_queries(len(KINDS) + 3):
        client.get("/search/", {"q": "e"})
    with django_assert_num_queries(3):
        client.get("/search/")
