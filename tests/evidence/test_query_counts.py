"""The same number of queries with 10 rows as with 200."""

from datetime import timedelta

from django.contrib.auth import get_user
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext

from buildlog.models import Failure, FailureMode, Fitting, Part, Revision, Vehicle
from sessions.logs.column_guess import guess
from sessions.logs.csv_layout import find_layout
from sessions.logs.ingest import read_stored, store_log
from sessions.models import MarkTap, Pass, Reading, Session, TestCard, TestCardItem, TrackPart, VoiceNote


def fill(session, gate, count):
    """Bring each kind of row to `count`."""
    vehicle = session.revision.vehicle
    mode = FailureMode.called("chain came off")
    for number in range(Vehicle.objects.count(), count):
        Vehicle.objects.create(name=f"V{number}")
    for number in range(Revision.objects.filter(vehicle=vehicle).count() + 1, min(count, 40) + 1):
        Revision.objects.create(vehicle=vehicle, number=number, date="2026-01-01", status="riding")
    if not session.failures.exists():
        Failure.objects.create(revision=session.revision, session=session, mode=mode, severity=3)
    revisions = list(vehicle.revisions.all())
    for number in range(Session.objects.count(), count):
        made = Session.objects.create(
            revision=revisions[number % len(revisions)],
            venue=session.venue,
            started_at=session.started_at + timedelta(days=number),
            distance_m=9000.0 + number,
            charge_used_ah=8.0,
            air_temperature_c=-5.0,
        )
        Pass.objects.create(session=made, gate=gate, duration_s=6.0 + number / 100)
        Failure.objects.create(revision=made.revision, session=made, mode=mode, severity=3)
    for number in range(session.passes.count(), count):
        Pass.objects.create(session=session, gate=gate, number=number + 1, duration_s=7.0 + number / 50)
        Reading.objects.create(session=session, time_into_session_s=number, voltage_v=50.0, current_a=number)
    for number in range(TestCard.objects.count(), min(count, 60)):
        card = TestCard.objects.create(revision=session.revision, title=f"C{number}")
        TestCardItem.objects.create(card=card, what="Six passes", outcome="done", session=session)
        moment = session.started_at + timedelta(seconds=10 * number)
        MarkTap.objects.create(session=session, gate=gate, at_last_mark=number % 2 == 1, at=moment, u_s=0.1)
        VoiceNote.objects.create(session=session, time_into_session_s=number, duration_s=8.0, kind="ogg")
        TrackPart.objects.create(session=session, fixes=[[number, 60.0, 25.0 + number / 1000, 5.0]])
    for number in range(session.logs.count(), min(count, 30)):
        rows = "".join(f"{n}.{number},5{n % 3},{n}\n" for n in range(40))
        log = store_log(session, SimpleUploadedFile(f"{number}.csv", f"time,volts,speed\n{rows}".encode()))
        with log.original.open("rb") as held:
            head = find_layout(held, log.size_bytes)
        read_stored(log, head.layout, guess(head.layout, head.rows))
    for number in range(Part.objects.count(), count):
        part = Part.objects.create(name=f"P{number}", category="other", mass_kg=0.1)
        Fitting.objects.create(revision=session.revision, part=part)


PAGES = {
    "machines": "/",
    "vehicle": "/vehicles/{vehicle}/",
    "revision": "/revisions/{revision}/",
    "difference": "/vehicles/{vehicle}/difference/?from=1&to=2",
    "parts": "/parts/",
    "failures": "/failures/",
    "sessions": "/sessions/",
    "session": "/sessions/{session}/",
    "recordings": "/sessions/{session}/recordings/",
    "venues": "/venues/",
    "compare": "/compare/?vehicle={vehicle}&revision={revision}",
    "new failure": "/failures/new/",
    "new session": "/sessions/new/",
    "test cards": "/test-cards/",
    "api field": "/api/v1/field/",
    "api sessions": "/api/v1/sessions/",
    "api passes": "/api/v1/passes/",
    "sessions of a revision": "/sessions/?revision={revision}",
    "failures of a machine": "/failures/?vehicle={vehicle}&state=not_held",
    "oldest sessions": "/sessions/?after=start",
    "api gates": "/api/v1/gates/",
    "api failures": "/api/v1/failures/",
    "api revisions": "/api/v1/revisions/",
}
MOST = 16
# It gathers for a whole day what other pages show one by one, and asks whether the rides it expects by can be; the
# comparison reads what logs add up to.
MOST_OF = {"api field": 44, "compare": 25, "recordings": 20, "session": 44, "revision": 29, "vehicle": 22}
# The first page asks what the bench asks, and shows the last session. Sign-in, account and the note of the demo are
# three of each page's; a list takes its rows, then reads and works out these alone.
MOST_OF |= {"machines": 34, "sessions": 19, "failures": 11, "venues": 4}
# Parts that are fitted are one read of these, however many revisions have them.
MOST_OF |= {"sessions of a revision": 21, "failures of a machine": 12, "oldest sessions": 20}
MOST_OF |= dict.fromkeys(("api sessions", "api passes", "api revisions"), 3)
# States are worked out for all rows at once: six reads of their machines; one more finds what came again.
MOST_OF |= {"api failures": 9}


def test_queries_do_not_grow_with_rows(sign_in, session, gate):
    """All pages in one test: the rows, which take far longer to make than the pages to ask for, are made once."""
    of = {"vehicle": session.revision.vehicle_id, "revision": session.revision_id, "session": session.pk}
    client = sign_in("owner")
    counts = {}
    for rows in (10, 200):
        fill(session, gate, rows)
        counts[rows] = {}
        for name, path in PAGES.items():
            # As somebody who has just come: nothing that an earlier page left with the visitor saves a query.
            client.force_login(get_user(client))
            with CaptureQueriesContext(connection) as captured:
                assert client.get(path.format(**of)).status_code == 200, name
            counts[rows][name] = len(captured)
    # Its rides are the newest ones; where one of them is in doubt, the answers to doubts are read as well.
    few, many = (counts[rows].pop("api field") for rows in (10, 200))
    assert abs(few - many) <= 1
    assert max(few, many) <= MOST_OF["api field"]
    # The first page asks the bench only of a short season; a list of one page needs no count.
    assert counts[10].pop("machines") >= counts[200]["machines"]
    assert abs(counts[10].pop("sessions") - counts[200]["sessions"]) <= 1
    assert counts[10] == {name: count for name, count in counts[200].items() if name in counts[10]}
    assert {name: count for name, count in counts[200].items() if count > MOST_OF.get(name, MOST)} == {}
