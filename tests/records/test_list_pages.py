"""Lists a page at a time: each row once, in order, however far down; and what no address can break."""

import uuid
from base64 import b64encode
from datetime import timedelta
from urllib.parse import urlencode

import pytest

from buildlog.failures.loop import close_without_fix
from buildlog.models import Failure, FailureMode
from buildlog.records.list_pages import list_page
from sessions.models import Pass, Reading, Session


@pytest.fixture
def many(session):
    """23 sessions, of which up to five began at one moment, so that times alone do not order them."""
    Session.objects.bulk_create(
        Session(
            revision=session.revision, venue=session.venue, started_at=session.started_at + timedelta(days=day // 5)
        )
        for day in range(22)
    )
    return list(Session.objects.order_by("-started_at", "-pk").values_list("pk", flat=True))


def joined(pages):
    return [key for page in pages for key in page]


def keys(page):
    return [row.pk for row in page.rows]


@pytest.mark.parametrize("size", [1, 4, 5, 22, 23, 24])
def test_each_row_comes_once_down_and_up_again(many, size):
    rows, asked, down, up = Session.objects.all(), {}, [], []
    while True:
        page = list_page(rows, asked, size=size)
        down.append(keys(page))
        if not page.older:
            break
        asked = {"before": page.older}
    assert joined(down) == many
    while page.newer:
        page = list_page(rows, {"after": page.newer}, size=size)
        up.append(keys(page))
    # The newest page is always full, so the way up may end on rows that the page before held as well.
    assert up[-1:] == ([many[:size]] if size < 23 else [])
    assert set(joined([*up, keys(list_page(rows, asked, size=size))])) == set(many)


def test_rows_that_are_stored_meanwhile_move_nothing(many, session):
    first = list_page(Session.objects.all(), {}, size=10)
    Session.objects.create(revision=session.revision, venue=session.venue, started_at="2030-01-01T00:00Z")
    assert keys(list_page(Session.objects.all(), {"before": first.older}, size=10)) == many[10:20]
    Session.objects.filter(pk=many[9]).delete()
    assert keys(list_page(Session.objects.all(), {"before": first.older}, size=10)) == many[10:20]


def test_the_oldest_page_is_full(many):
    page = list_page(Session.objects.all(), {"after": "start"}, size=10)
    assert keys(page) == many[-10:]
    assert page.newer
    assert not page.older
    assert keys(list_page(Session.objects.all(), {"after": "start"}, size=50)) == many


@pytest.mark.parametrize(
    "asked",
    [
        {"before": "x"},
        {"before": "2026-01-01_x"},
        {"after": f"9999-99-99_{uuid.uuid4()}"},
        {"before": f"0001-01-01T00:00:00_{uuid.uuid4()}"},
        {"after": f"9999-12-31T23:59:59_{uuid.uuid4()}"},
        {"before": "\x00", "after": "\x00"},
        {"page": "99999"},
    ],
)
def test_what_is_no_place_leads_to_the_newest(many, asked, sign_in):
    page = sign_in("reader").get(f"/sessions/?{urlencode(asked)}")
    assert page.status_code == 200
    assert [row.pk for row in page.context["sessions"]] == many


def test_failures_of_a_state_a_machine_a_revision_or_a_part(sign_in, failure, battery, vehicle, revision):
    mode = FailureMode.called("lamp out")
    other = Failure.objects.create(revision=revision, mode=mode, severity=3, part=battery)
    close_without_fix(other, "A stone.")
    client = sign_in("reader")

    def listed(query):
        return {row.pk for row in client.get(f"/failures/?{query}").context["failures"]}

    assert listed("") == listed(f"vehicle={vehicle.pk}") == listed(f"revision={revision.pk}") == {failure.pk, other.pk}
    assert listed("state=held") == listed(f"part={battery.pk}") == {other.pk}
    assert listed(f"state=not_held&vehicle={vehicle.pk}") == {failure.pk}
    assert client.get(f"/failures/?part={uuid.uuid4()}").status_code == 404


def test_pages_of_a_machine_show_the_newest_and_lead_to_the_rest(sign_in, session, failure, vehicle, revision):
    from buildlog.models import Revision

    for day in range(1, 25):
        Session.objects.create(
            revision=revision, venue=session.venue, started_at=session.started_at + timedelta(days=day)
        )
        Failure.objects.create(revision=revision, mode=failure.mode, severity=3)
    client = sign_in("reader")
    page = client.get(revision.get_absolute_url())
    assert (len(page.context["sessions"]), len(page.context["failures"])) == (20, 10)
    assert f"/sessions/?revision={revision.pk}" in page.content.decode()
    assert f"/failures/?revision={revision.pk}" in page.content.decode()
    for number in range(2, 14):
        Revision.objects.create(vehicle=vehicle, number=number, date="2026-02-01")
    page = client.get(vehicle.get_absolute_url())
    assert [row.revision.number for row in page.context["revisions"]] == list(range(13, 3, -1))
    assert len(page.context["open_failures"]) == 10
    whole = client.get(f"{vehicle.get_absolute_url()}?revisions=all").context
    assert len(whole["revisions"]) == 13
    assert (whole["revisions"][-1].session_count, whole["revisions"][-1].distance_m) == (25, session.distance_m)


# --- The API.


def followed(client, address, name="next"):
    pages = []
    while address:
        answer = client.get(address).json()
        pages.append([row["id"] for row in answer["results"]])
        address = answer[name]
    return pages


@pytest.mark.parametrize("limit", [1, 7, 25, 500])
def test_each_record_comes_once_by_cursor(many, sign_in, limit):
    pages = followed(sign_in("reader"), f"/api/v1/sessions/?limit={limit}")
    assert joined(pages) == [str(key) for key in many]


def test_passes_and_readings_of_many_sessions_come_once_by_cursor(many, gate, sign_in):
    sessions = Session.objects.filter(pk__in=many[:4])
    Pass.objects.bulk_create(
        Pass(session=of, gate=gate, number=number + 1, duration_s=6.0) for of in sessions for number in range(7)
    )
    Reading.objects.bulk_create(
        Reading(session=of, time_into_session_s=60.0, voltage_v=50.0) for of in sessions for _ in range(7)
    )
    client = sign_in("reader")
    for kind, model in (("passes", Pass), ("readings", Reading)):
        listed = joined(followed(client, f"/api/v1/{kind}/?limit=5"))
        assert len(listed) == len(set(listed)) == model.objects.count() == 28
    numbers = [row["number"] for row in client.get(f"/api/v1/passes/?session={many[0]}").json()["results"]]
    assert numbers == list(range(1, 8))


def test_the_last_page_leads_back_to_the_first(many, sign_in):
    client = sign_in("reader")
    last = f"/api/v1/sessions/?limit=10&cursor={b64encode(b'r=1').decode()}"
    assert client.get(last).json()["next"] is None
    assert joined(reversed(followed(client, last, "previous"))) == [str(key) for key in many]


def test_addresses_with_an_offset_work_as_before(many, sign_in):
    client = sign_in("reader")
    answer = client.get("/api/v1/sessions/?limit=10&offset=10").json()
    assert [row["id"] for row in answer["results"]] == [str(key) for key in many[10:20]]
    assert answer["count"] == 23
    assert "offset=20" in answer["next"]


def test_a_list_is_counted_where_that_costs_nothing(many, sign_in):
    client = sign_in("reader")
    assert client.get("/api/v1/sessions/").json()["count"] == 23
    assert client.get("/api/v1/sessions/?limit=10").json()["count"] is None
    assert client.get("/api/v1/sessions/?limit=10&offset=0").json()["count"] == 23


@pytest.mark.parametrize(
    "text", ["p=x", "p=%00", "p=2026-13-45", "o=99999999999999999999&p=x", "r=x&o=-1", "p=" + "9" * 400]
)
@pytest.mark.parametrize("kind", ["sessions", "passes", "failures", "vehicles"])
def test_a_cursor_of_ones_own_making_breaks_nothing(kind, text, session, timed_pass, failure, sign_in):
    answer = sign_in("reader").get(f"/api/v1/{kind}/", {"cursor": b64encode(text.encode()).decode()})
    assert answer.status_code in (200, 404)
    assert "results" in answer.json() or answer.json()["detail"] == "Invalid cursor"
