"""The form of a failure offers the last sessions, and finds the others by a search that needs no script."""

import re
from datetime import timedelta

import pytest

from buildlog.models import Failure, Revision
from sessions.models import Session, Venue

TYPED = {
    "mode_name": "chain came off",
    "severity": "3",
    "effect": "none",
    "time_into_session_s": "about 4 min",
    "happened_at": "2026-01-17T11:10",
}


@pytest.fixture
def many(session, revision):
    """40 sessions after the first one, on another lake."""
    venue = Venue.objects.create(name="North bay")
    Session.objects.bulk_create(
        Session(revision=revision, venue=venue, started_at=session.started_at + timedelta(days=day))
        for day in range(1, 41)
    )
    return list(Session.objects.order_by("-started_at"))


def offered(answer):
    select = re.search(r'<select name="session".*?</select>', answer.content.decode(), re.S)[0]
    return re.findall(r'<option value="([0-9a-f-]{36})"', select)


def test_the_last_twenty_are_offered(many, sign_in):
    assert offered(sign_in("recorder").get("/failures/new/")) == [str(row.pk) for row in many[:20]]


def test_the_session_of_the_address_is_offered_however_old(many, session, sign_in):
    page = sign_in("recorder").get(f"/failures/new/?session={session.pk}")
    assert offered(page)[0] == str(session.pk)
    assert f'<option value="{session.pk}" selected>' in page.content.decode()


@pytest.mark.parametrize(
    ("text", "count"),
    [
        ("test lake", 1),
        ("2026-01-17", 1),
        ("R1 2026-01", 15),
        ("north BAY", 20),
        ("2026-02-30", 0),
        ("R9", 0),
        ("%", 0),
    ],
)
def test_a_search_finds_by_venue_revision_and_date(many, sign_in, revision, text, count):
    answer = sign_in("recorder").post(
        "/failures/new/", {"revision": revision.pk, **TYPED, "search_session": text, "find": "session"}
    )
    assert answer.status_code == 200
    assert len(offered(answer)) == count
    assert not Failure.objects.exists()


def test_what_was_typed_stays_and_nothing_is_complained_of(many, sign_in, revision):
    answer = sign_in("recorder").post(
        "/failures/new/", {**TYPED, "revision": "", "search_session": "Test lake", "find": "session"}
    )
    page = answer.content.decode()
    assert 'value="about 4 min"' in page
    assert 'value="chain came off"' in page
    assert "has-wrong" not in page
    assert "1 found. Choose above." in page


def test_a_text_that_was_not_searched_yet_is_searched_before_anything_is_stored(many, session, sign_in, revision):
    """Enter in the search box presses the button Save."""
    client = sign_in("recorder")
    sent = {"revision": revision.pk, **TYPED, "time_into_session_s": "4 min", "search_session": "Test lake"}
    assert offered(client.post("/failures/new/", sent)) == [str(session.pk)]
    sent |= {"searched_session": "Test lake", "session": session.pk}
    assert client.post("/failures/new/", sent).status_code == 302
    assert Failure.objects.get().session_id == session.pk


def test_a_session_that_is_not_listed_can_be_stored(many, session, sign_in, revision):
    sent = {"revision": revision.pk, **TYPED, "time_into_session_s": "4 min", "session": session.pk}
    assert sign_in("recorder").post("/failures/new/", sent).status_code == 302
    assert Failure.objects.get().session_id == session.pk


def test_a_search_while_a_failure_is_edited_forgets_nothing(many, session, sign_in, failure):
    client = sign_in("builder")
    page = client.get(f"/failures/{failure.pk}/edit/")
    began = page.context["form"]["began_from"].value()
    sent = {
        "revision": failure.revision_id, **TYPED, "time_into_session_s": "4 min", "session": session.pk,
        "severity": "2", "began_from": began, "search_session": "north", "find": "session",
    }  # fmt: skip
    answer = client.post(f"/failures/{failure.pk}/edit/", sent)
    assert offered(answer)[0] == str(session.pk)
    assert answer.context["form"]["began_from"].value() == began
    failure.refresh_from_db()
    assert failure.severity == 3
    del sent["find"]
    sent["searched_session"] = "north"
    assert client.post(f"/failures/{failure.pk}/edit/", sent).status_code == 302
    failure.refresh_from_db()
    assert failure.severity == 2


def test_enter_in_a_form_presses_save_and_not_search(sign_in, revision):
    page = sign_in("recorder").get("/failures/new/").content.decode()
    form = page[page.index('<form method="post" class="entry') :]
    assert re.search(r"<button[^>]*>", form)[0] == '<button class="by-enter" tabindex="-1" aria-hidden="true">'


def test_the_other_machines_sessions_are_found_by_the_machines_name(sign_in, session, venue):
    from buildlog.models import Vehicle

    kart = Vehicle.objects.create(name="Kart")
    other = Session.objects.create(
        revision=Revision.objects.create(vehicle=kart, number=1, date="2026-01-01"), venue=venue
    )
    answer = sign_in("recorder").post("/failures/new/", {"search_session": "kart", "find": "session"})
    assert offered(answer) == [str(other.pk)]
