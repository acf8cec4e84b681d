"""Readings and passes stand in the order of taps, whatever the phone's clock did in between."""

import uuid

import pytest

from sessions.evidence.season import Season
from sessions.models import Pass, Reading


def charges(session):
    return [item.charge_used_ah for item in session.readings.all()]


@pytest.fixture
def clock_set_back(session):
    """Three taps, 1 min apart; the wall clock was set back an hour after the first: 3600, 60, 120 s by it."""
    rows = [(3.0, 120.0, 3_720_000), (1.0, 3600.0, 3_600_000), (2.0, 60.0, 3_660_000)]
    Reading.objects.bulk_create(
        Reading(session=session, charge_used_ah=used, time_into_session_s=time_s, sequence=place)
        for used, time_s, place in rows
    )
    return session


def test_readings_stand_in_the_order_of_taps(clock_set_back, sign_in):
    assert charges(clock_set_back) == [1.0, 2.0, 3.0]
    page = sign_in("recorder").get(clock_set_back.get_absolute_url())
    assert [reading.charge_used_ah for reading in page.context["readings"]] == [1.0, 2.0, 3.0]


def test_the_season_has_them_in_the_same_order(clock_set_back):
    for volts, item in zip((50.0, 51.0, 52.0), clock_set_back.readings.all(), strict=True):
        Reading.objects.filter(pk=item.pk).update(voltage_v=volts)
    assert Season(clock_set_back.revision.vehicle).readings[0]["voltage_v"].tolist() == [50.0, 51.0, 52.0]


def test_readings_without_a_place_keep_to_their_time(session):
    """Also among those of a phone, whose place is the milliseconds into the session."""
    Reading.objects.bulk_create(
        Reading(session=session, charge_used_ah=used, time_into_session_s=time_s)
        for used, time_s in ((4.0, 400.0), (1.0, 100.0))
    )
    assert charges(session) == [1.0, 4.0]
    Reading.objects.create(session=session, charge_used_ah=2.0, time_into_session_s=3999.0, sequence=200_000)
    assert charges(session) == [1.0, 2.0, 4.0]


def test_passes_stand_in_the_order_of_taps_and_then_by_number(session, gate):
    """Those typed at the desk have no place and come after; the number says in which order they were stored."""
    for number, place in ((1, 9_000), (2, 4_000), (4, None), (3, None)):
        Pass.objects.create(session=session, gate=gate, number=number, duration_s=10.0, sequence=place)
    assert [item.number for item in session.passes.all()] == [2, 1, 3, 4]
    assert list(Season(session.revision.vehicle).passes.number) == [2, 1, 3, 4]


@pytest.mark.parametrize("kind", ["readings", "passes"])
def test_the_api_takes_the_place(kind, sign_in, session, gate):
    values = {
        "readings": {"time_into_session_s": 5.0, "voltage_v": 50.0},
        "passes": {"gate": str(gate.pk), "duration_s": 9.0},
    }[kind]
    client, address = sign_in("recorder"), f"/api/v1/{kind}/{uuid.uuid4()}/"

    def put(**more):
        data = {"session": str(session.pk), **values, **more}
        return client.put(address, data, content_type="application/json", headers={"If-None-Match": "*"})

    # Beyond what a column of the databases holds, and no number at all.
    for wrong in (-1, 2**31, 10**30, "soon"):
        answer = put(sequence=wrong)
        assert (answer.status_code, list(answer.json())) == (400, ["sequence"]), wrong
    assert put(sequence=5_000).json()["sequence"] == 5_000
    assert client.get(address).json()["sequence"] == 5_000
    # A page of the version before sends the record again without it: nothing is taken away.
    assert put().json()["sequence"] == 5_000


def test_without_a_place_the_version_of_a_record_is_what_it_was(reading):
    """A phone that holds a version from before the update may still change its record."""
    from buildlog.records.put_record import version_of
    from sessions.outings.serializers import ReadingSerializer

    written = dict(ReadingSerializer(reading).data)
    assert written["sequence"] is None
    assert version_of(written) == version_of({name: item for name, item in written.items() if name != "sequence"})
