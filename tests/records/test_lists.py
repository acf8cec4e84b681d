"""Lists: words, filters and orders in the address, results in the rows, all of it as a file, and many at once."""

import csv
import io
import uuid
from datetime import UTC, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from buildlog.models import Failure, FailureMode, Fitting, Part, Revision
from buildlog.records import history
from sessions.models import Log, Pass, Session, Venue


@pytest.fixture
def season(revision, venue, gate, battery):
    """Six sessions at two venues, on two surfaces, of which the last is slipped."""
    Fitting.objects.create(revision=revision, part=battery, quantity=1, series=1, parallel=1)
    other = Venue.objects.create(name="North shore")
    for day in range(6):
        made = Session.objects.create(
            revision=revision,
            venue=venue if day % 2 else other,
            started_at=datetime(2026, 1, 10 + day, 9, tzinfo=UTC),
            surface="clear_ice" if day < 3 else "slush",
            distance_m=1000.0 * (6 - day),
            runtime_s=600.0,
            energy_used_wh=50.0 * (6 - day),
            notes="Wind turned" if day == 4 else "",
        )
        if day % 2:
            Pass.objects.create(session=made, gate=gate, number=1, duration_s=8.0, method="video", frames_per_s=60.0)
    return list(Session.objects.order_by("-started_at"))


def rows(client, address):
    answer = client.get(address)
    assert answer.status_code == 200
    return list(answer.context["sessions"])


def table(answer):
    assert answer["Content-Type"].startswith("text/csv")
    return list(csv.DictReader(io.StringIO(answer.content.decode())))


def test_words_filters_and_orders_narrow_the_sessions(season, sign_in, venue):
    client = sign_in("reader")
    assert rows(client, "/sessions/") == season
    assert rows(client, "/sessions/?q=wind") == [season[1]]
    assert len(rows(client, "/sessions/?q=north")) == 3
    assert rows(client, "/sessions/?q=north+2026-01-12") == [season[3]]
    assert rows(client, f"/sessions/?venue={venue.pk}&surface=slush") == [season[0], season[2]]
    assert rows(client, "/sessions/?sort=oldest") == season[::-1]
    # The first day was ridden farthest.
    assert rows(client, "/sessions/?sort=farthest") == season[::-1]
    assert rows(client, "/sessions/?q=nothing-of-the-kind") == []


def test_the_address_holds_what_was_asked_on_every_page(season, sign_in, revision, venue):
    Session.objects.bulk_create(
        Session(revision=revision, venue=venue, started_at=datetime(2025, 1, 1, tzinfo=UTC) + timedelta(hours=hour))
        for hour in range(60)
    )
    client = sign_in("reader")
    page = client.get("/sessions/?q=test&sort=oldest").content.decode()
    older = page[page.index("?q=test&amp;sort=oldest&amp;before=") :].partition('"')[0].replace("&amp;", "&")
    listed = rows(client, f"/sessions/{older}")
    assert [session.started_at for session in listed] == sorted(session.started_at for session in listed)
    assert len(listed) == 16
    assert 'value="test"' in client.get(f"/sessions/{older}").content.decode()


def test_results_stand_in_the_rows(season, sign_in):
    listed = rows(sign_in("reader"), "/sessions/")
    speed, energy = listed[0].results.values
    # 100 m in 8 s is 12.5 m/s; 50 Wh over 1 km: arithmetic.
    assert speed.value == pytest.approx(12.5)
    assert energy.value == pytest.approx(50.0)
    assert listed[1].results.values[0] is None
    assert listed[0].pass_count == 1


def test_a_value_in_doubt_gives_no_result_and_the_row_says_so(season, sign_in):
    Session.objects.filter(pk=season[0].pk).update(energy_used_wh=50_000.0)
    client = sign_in("reader")
    listed = rows(client, "/sessions/")
    assert listed[0].results.values[1] is None
    assert "energy_used_wh" in listed[0].results.in_doubt
    assert "in doubt" in client.get("/sessions/").content.decode()


def test_a_list_asks_the_database_as_often_for_forty_rows_as_for_six(season, sign_in, revision, venue):
    client = sign_in("reader")
    counts = {}
    for address in ("/sessions/", "/passes/", "/failures/", "/parts/", "/sessions/logs/"):
        client.get(address)
        with CaptureQueriesContext(
            connection,
        ) as asked:
            client.get(address)
        counts[address] = len(asked)
    started = datetime(2026, 2, 1, tzinfo=UTC)
    Session.objects.bulk_create(
        Session(revision=revision, venue=venue, started_at=started + timedelta(days=day)) for day in range(34)
    )
    mode = FailureMode.called("chain came off")
    Failure.objects.bulk_create(Failure(revision=revision, mode=mode, severity=3) for _ in range(34))
    Part.objects.bulk_create(Part(name=f"Bolt {number}", category="other") for number in range(34))
    Failure.objects.create(revision=revision, mode=mode, severity=3)
    for address, count in counts.items():
        with CaptureQueriesContext(connection) as asked:
            client.get(address)
        # Failures are asked for their states only where there are any.
        assert len(asked) <= count + (12 if address == "/failures/" else 0), address
    print(counts)
    assert counts["/sessions/"] <= 30
    assert counts["/passes/"] <= 28


@pytest.mark.parametrize("address", ["/sessions/", "/passes/", "/failures/", "/parts/", "/sessions/logs/"])
@pytest.mark.parametrize(
    "query",
    ["q=%00", "q=R9999+2026-99-99", "sort=x", "vehicle=x", "venue=1", "before=1e999_x", "before=nan_" + "0" * 32,
     "after=12.5_" + "0" * 32, "kind=x&state=y&severity=z&fitted=w", "sort=farthest&before=3.5_" + "0" * 32],
)  # fmt: skip
def test_no_address_breaks_a_list(address, query, sign_in, season, failure, log):
    assert sign_in("reader").get(f"{address}?{query}").status_code in (200, 404)


def test_what_a_list_shows_goes_into_a_file(season, sign_in, venue, failure, battery, log):
    client = sign_in("reader")
    sessions = table(client.get(f"/sessions/?venue={venue.pk}&q=2026-01&export=csv"))
    assert {row["venue"] for row in sessions} == {"Test lake"}
    assert float(sessions[1]["average_gate_speed"]) == pytest.approx(12.5)
    passes = table(client.get("/passes/?export=csv"))
    assert [row["gate"] for row in passes] == ["Straight"] * 3
    assert float(passes[0]["speed_mps"]) == pytest.approx(12.5)
    assert [row["mode"] for row in table(client.get("/failures/?export=csv&state=open"))] == ["chain came off"]
    assert [row["capacity_ah"] for row in table(client.get("/parts/?export=csv&kind=battery_module"))] == ["12.0"]
    assert [row["name"] for row in table(client.get("/sessions/logs/?export=csv"))] == [log.name]


def test_text_in_a_file_starts_no_formula(sign_in, db):
    Part.objects.create(name="=1+1", category="other")
    assert table(sign_in("reader").get("/parts/?export=csv"))[0]["name"] == "'=1+1"


def test_failures_parts_and_logs_are_searched(sign_in, failure, battery, controller, fitting, log, revision):
    client = sign_in("reader")
    other = Failure.objects.create(revision=revision, mode=FailureMode.called("lamp out"), severity=4)

    def listed(address, name):
        return list(client.get(address).context[name])

    assert listed("/failures/?q=chain", "failures") == [failure]
    assert listed("/failures/?severity=4", "failures") == [other]
    assert listed("/failures/?sort=oldest", "failures")[0].happened_at <= other.happened_at
    assert listed("/parts/?q=module", "parts") == [battery]
    assert listed("/parts/?fitted=no", "parts") == [controller]
    assert listed("/parts/?sort=heaviest", "parts") == [battery, controller]
    assert listed("/sessions/logs/?q=track", "logs") == [log]
    assert listed("/sessions/logs/?kind=csv", "logs") == []
    assert Log.objects.count() == 1


def test_ticked_passes_do_not_count_and_count_again(season, sign_in):
    client = sign_in("recorder")
    first, second, third = Pass.objects.order_by("session__started_at")
    sent = {"pass": [first.pk, second.pk, "x", uuid.uuid4()], "back": "/passes/?counts=yes"}
    assert client.post("/passes/count/", {**sent, "counts": "no"}).url == "/passes/?counts=yes"
    assert Pass.objects.filter(valid=True).count() == 3, "without a reason nothing is changed"
    client.post("/passes/count/", {**sent, "counts": "no", "reason": "Braked"})
    assert set(Pass.objects.filter(valid=False, invalid_reason="Braked")) == {first, second}
    assert [len(results) for *_, results in client.get("/passes/?counts=no").context["sessions"]] == [1, 1]
    client.post("/passes/count/", {**sent, "counts": "yes"})
    assert Pass.objects.filter(valid=True).count() == 3
    assert [event.change.act for event in history.events_of(first, "metric")] == ["changed", "changed", "made"]
    assert client.post("/passes/count/", {**sent, "back": "https://elsewhere.example/"}).url == "/passes/"
    assert sign_in("reader").post("/passes/count/", sent).status_code == 403
    assert Revision.objects.count() == 1
    assert third.valid
