"""Results and limits as JSON: the words and numbers of the pages, in stored units."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from buildlog.models import Fitting
from calc.results import BUILD, RESULTS, SESSION
from sessions.demo import loading
from sessions.evidence.reader import Evidence
from sessions.models import Pass, Session


def by_key(rows):
    return {row["key"]: row for row in rows}


def test_the_results_of_a_session_are_those_of_its_page(session, gate, sign_in):
    Pass.objects.create(session=session, gate=gate, number=1, duration_s=10.0)
    client = sign_in("reader")
    answer = client.get(f"/api/v1/sessions/{session.pk}/results/").json()
    best = by_key(answer["results"])["best_gate_speed"]
    assert (best["value"], best["unit"], best["label"]) == (10.0, "meter/second", "Best gate speed")
    # √2 × 0.1 s of 10 s, and 2 cm of 100 m (JCGM 100:2008, 5.1.2).
    assert best["standard_uncertainty"] == pytest.approx(10 * (2 * 0.01**2 + 0.0002**2) ** 0.5)
    assert "kill switch" in best["caution"]
    lacking = by_key(answer["missing"])["range"]
    assert lacking["value"] is None
    assert "a battery pack on the revision" in lacking["needs"]
    page = client.get(session.get_absolute_url())
    assert [row["key"] for row in answer["results"]] == [result.key for result in page.context["report"].results]
    assert best["method"] in page.content.decode()


def test_stopping_distance_beside_the_best_gate_speed(session, gate):
    """d = v t + v²/(2 μ g): 10 m/s, 1 s, 0.05 (OpenStax College Physics, 5.1; g_n of ISO 80000-3:2019)."""
    Pass.objects.create(session=session, gate=gate, number=1, duration_s=10.0)
    distance = Evidence.of_session(session).reports[0].get("stopping_distance")
    assert distance.value == pytest.approx(10.0 + 100.0 / (2 * 0.05 * 9.80665))
    assert "run-out" in distance.caution


def test_the_limits_of_a_revision_say_what_they_lack(revision, battery, controller, sign_in):
    Fitting.objects.create(revision=revision, part=battery, quantity=1, series=1, parallel=1)
    Fitting.objects.create(revision=revision, part=controller)
    rows = by_key(sign_in("reader").get(f"/api/v1/revisions/{revision.pk}/limits/").json()["limits"])
    assert rows["full_voltage"]["value"] == pytest.approx(58.8)
    margin = rows["controller_voltage_margin"]
    assert (margin["value"], margin["unit"], margin["alarm"]["word"]) == (pytest.approx(-3.8), "volt", "over")
    assert rows["motor_voltage_margin"]["needs"] == ["a pack, and the motor with its highest voltage"]


def test_both_answer_by_a_fixed_number_of_queries(session, gate, sign_in):
    client = sign_in("reader")
    paths = (f"/api/v1/sessions/{session.pk}/results/", f"/api/v1/revisions/{session.revision_id}/limits/")
    counts = []
    for more in (3, 40):
        Pass.objects.bulk_create(
            Pass(session=session, gate=gate, number=100 * more + number, duration_s=9.0) for number in range(more)
        )
        Session.objects.bulk_create(
            Session(revision=session.revision, venue=session.venue, started_at=session.started_at) for _ in range(more)
        )
        for path in paths:
            with CaptureQueriesContext(connection) as captured:
                assert client.get(path).status_code == 200
            counts.append(len(captured))
    assert counts[:2] == counts[2:]
    # The results of a session read what its doubts rest on as well.
    assert (counts[0] <= 16, counts[1] <= 22) == (True, True)


def test_every_result_that_a_page_shows_is_declared_with_the_place_it_is_shown_in(db, sign_in):
    loading.load()
    client = sign_in("owner")
    shown = {SESSION: set(), BUILD: set()}
    for session in Session.objects.all():
        shown[SESSION] |= {row.key for row in client.get(session.get_absolute_url()).context["report"].results}
        page = client.get(session.revision.get_absolute_url())
        shown[BUILD] |= {row.key for group in page.context["groups"] for row in group.results}
    for place, keys in shown.items():
        assert keys, place
        assert all(place in RESULTS[key].shown for key in keys), place


def test_evidence_is_of_the_declared_kinds(db):
    loading.load()
    for report in Evidence(Session.objects.all()).reports:
        for result in report.results:
            if result.declaration.evidence and result.evidence:
                assert result.evidence in result.declaration.evidence, result.key
