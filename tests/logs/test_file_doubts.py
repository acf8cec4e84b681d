"""Sixty kinds of logger files: read right, or doubted before anything is taken from them."""

import re
from datetime import UTC, datetime, timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone

from buildlog.models import Confirmation, Fitting, Part
from sessions.evidence.season import Season
from sessions.logs.column_guess import guess
from sessions.logs.csv_layout import find_layout
from sessions.logs.file_doubts import FileMend, doubts_of_file
from sessions.logs.ingest import store_log
from sessions.logs.series import NotARecording
from sessions.models import ColumnMapping, Log
from tests.logs.logger_kinds import KINDS, STARTED, STEP_S, TRUTH

pytestmark = pytest.mark.django_db


@pytest.fixture
def ridden(session, revision):
    """The session of the ride, with the pack and controller of the machine."""
    module = Part.objects.create(name="Module 14s 60 Ah", category="battery_module", mass_kg=18, specification={
        "nominal_voltage_v": 50.4, "full_voltage_v": 58.8, "empty_voltage_v": 35.0, "capacity_ah": 60.0,
        "continuous_current_a": 120.0})  # fmt: skip
    controller = Part.objects.create(name="Controller 72 V", category="speed_controller", specification={
        "highest_voltage_v": 72.0, "peak_current_a": 120.0})  # fmt: skip
    Fitting.objects.create(revision=revision, part=module, quantity=1, series=1, parallel=1)
    Fitting.objects.create(revision=revision, part=controller, quantity=1)
    session.started_at, session.ended_at = STARTED - timedelta(minutes=2), STARTED + timedelta(minutes=20)
    session.runtime_s, session.distance_m, session.charge_used_ah = 900.0, 6900.0, 8.6
    session.rest_voltage_start_v, session.rest_voltage_end_v = 57.6, 56.4
    session.save()
    return session


def stored(ridden, kind):
    name = re.sub(r"\W", "_", kind.name)
    return store_log(ridden, SimpleUploadedFile(f"{name}.csv", kind.content))


def understood(log):
    with log.original.open("rb") as file:
        head = find_layout(file, log.size_bytes)
    return head, guess(head.layout, head.rows, head.interval_s)


ENDS = {
    "voltage_v": ("lowest_voltage_v", "highest_voltage_v"),
    "current_a": ("lowest_current_a", "highest_current_a"),
    "speed_mps": ("", "highest_speed_mps"),
    "battery_temperature_c": ("lowest_battery_temperature_c", "highest_battery_temperature_c"),
    "motor_temperature_c": ("lowest_motor_temperature_c", "highest_motor_temperature_c"),
}


def wrong_in(read):
    """What of a file is not as the ride was."""
    wrong = []
    if abs(read.facts["duration_s"] - TRUTH["duration_s"]) > 2 * STEP_S + 1:
        wrong.append(f"duration {read.facts['duration_s']}")
    for column, names in ENDS.items():
        for name, truth in zip(names, TRUTH[column], strict=True):
            value = read.facts.get(name)
            if value is not None and abs(value - truth) > 0.02 * max(map(abs, TRUTH[column])) + 0.06:
                wrong.append(f"{name} {value} for {truth}")
    charge = read.facts.get("charge_ah")
    if charge is not None and abs(charge - TRUTH["charge_ah"]) > 0.03 * TRUTH["charge_ah"]:
        wrong.append(f"charge {charge}")
    return wrong


def test_there_are_sixty_kinds():
    assert len(KINDS) >= 60


@pytest.fixture
def helsinki(settings):
    settings.TIME_ZONE = "Europe/Helsinki"
    timezone.get_default_timezone.cache_clear()
    yield
    settings.TIME_ZONE = "UTC"
    timezone.get_default_timezone.cache_clear()


def on_day_of(ridden, name):
    """The session on the day on which clocks change in Helsinki."""
    month, day = (3, 29) if "spring" in name else (10, 25)
    ridden.started_at = datetime(2026, month, day, 0, 50, tzinfo=UTC)
    ridden.ended_at = ridden.started_at + timedelta(minutes=22)
    ridden.save()


REFUSED = {
    # With a sentence that says what to choose; nothing is taken.
    "speed in mm/s": "no speed over ground does",
}


@pytest.mark.parametrize("name", KINDS)
def test_no_file_is_silently_wrong(name, ridden, request):
    kind = KINDS[name]
    if "clock" in name:
        request.getfixturevalue("helsinki")
        on_day_of(ridden, name)
    log = stored(ridden, kind)
    head, mapping = understood(log)
    if name in REFUSED:
        with pytest.raises(NotARecording, match=REFUSED[name]):
            doubts_of_file(log, head, mapping)
        return
    asked = doubts_of_file(log, head, mapping)
    wrong = wrong_in(asked.read)
    begins = asked.read.first_at
    if kind.dated and abs((begins - STARTED).total_seconds()) > 1:
        wrong.append(f"begins {begins}")
    sentences = [doubt.sentence for doubt in asked.doubts]
    assert not wrong or sentences, f"silently {wrong}"
    if not kind.button:
        assert not sentences or wrong, f"doubted without a reason: {sentences}"
        return
    assert sentences
    # What is wrong is set right by buttons, one for each slip.
    for _ in range(3):
        fitting = [mend for mend in asked.mends if kind.button in mend.words] or asked.mends
        if not asked.doubts:
            break
        assert fitting, (sentences, wrong)
        mapping = FileMend.applied(mapping, fitting[0].value)
        asked = doubts_of_file(log, head, mapping)
    assert [doubt.sentence for doubt in asked.doubts] == []
    assert wrong_in(asked.read) == []


def sent(head, mapping, **more):
    chosen = {
        f"column_{choice.index}": f"{choice.meaning}|{choice.unit}{'|flipped' if choice.flipped else ''}"
        for choice in mapping.choices
    }
    layout = head.layout
    return {"encoding": layout.encoding, "delimiter": layout.delimiter, "decimal": layout.decimal,
            "first_line": layout.first_line, **chosen, **more}  # fmt: skip


def test_nothing_is_taken_from_a_doubtful_file(sign_in, ridden):
    log = stored(ridden, KINDS["mV not named"])
    head, mapping = understood(log)
    client = sign_in("recorder")
    page = client.post(f"/sessions/logs/{log.pk}/columns/", sent(head, mapping, read="yes"))
    text = page.content.decode()
    assert page.status_code == 200
    assert "but the full pack has 58.8 V" in text
    assert "nothing was taken from it yet" in text
    log.refresh_from_db()
    assert log.state == Log.State.WAITING
    assert not ColumnMapping.objects.exists()
    [button] = [mend for mend in page.context["doubts"].mends if "in mV" in mend.words]
    page = client.post(f"/sessions/logs/{log.pk}/columns/", sent(head, mapping, mend=button.value))
    assert "Nothing is in doubt now" in page.content.decode()
    assert Log.objects.get().state == Log.State.WAITING
    mended = FileMend.applied(mapping, button.value)
    answer = client.post(f"/sessions/logs/{log.pk}/columns/", sent(head, mended, read="yes"))
    assert answer.status_code == 302
    log.refresh_from_db()
    assert log.state == Log.State.READ
    assert log.summary["columns"]["voltage_v"][1] == pytest.approx(TRUTH["voltage_v"][1], abs=0.01)


def test_remembered_columns_are_asked_again(sign_in, ridden):
    """A logger that was set to another unit writes the same header."""
    client = sign_in("recorder")
    first = stored(ridden, KINDS["mV not named"])
    head, mapping = understood(first)
    [button] = [mend for mend in doubts_of_file(first, head, mapping).mends if "in mV" in mend.words]
    client.post(f"/sessions/logs/{first.pk}/columns/", sent(head, FileMend.applied(mapping, button.value), read="yes"))
    assert ColumnMapping.objects.count() == 1
    second = stored(ridden, KINDS["cV not named"])
    page = client.get(f"/sessions/logs/{second.pk}/columns/")
    assert page.context["remembered"] is not None
    chosen = {f"column_{row.index}": row.chosen for row in page.context["columns"]}
    page = client.post(f"/sessions/logs/{second.pk}/columns/", {**sent(head, mapping), **chosen, "read": "yes"})
    assert page.status_code == 200
    assert page.context["doubts"].doubts
    second.refresh_from_db()
    assert second.state == Log.State.WAITING


def test_it_is_so_imports_it_and_keeps_why(sign_in, ridden):
    client = sign_in("recorder")
    log = stored(ridden, KINDS["mV not named"])
    head, mapping = understood(log)
    answer = client.post(
        f"/sessions/logs/{log.pk}/columns/", sent(head, mapping, read="yes", reason="A test of the bench supply.")
    )
    assert answer.status_code == 302
    kept = Confirmation.objects.filter(subject="log", record=log.pk)
    assert {row.reason for row in kept} == {"A test of the bench supply."}
    assert {row.confirmed_by for row in kept} == {"recorder"}
    page = client.get(f"/vehicles/{ridden.revision.vehicle_id}/doubts/").content.decode()
    assert "It is so: A test of the bench supply." in page
    assert "but the full pack has 58.8 V" not in page.split("Confirmed")[0]


def test_an_odd_button_is_answered_in_a_sentence(sign_in, ridden):
    log = stored(ridden, KINDS["plain"])
    head, mapping = understood(log)
    client = sign_in("recorder")
    for button in ("x", "1|2|3", "a|b|c|d|e", "9" * 300, "0|0|time_s|parsecs|"):
        page = client.post(f"/sessions/logs/{log.pk}/columns/", sent(head, mapping, mend=button))
        assert page.status_code in (200, 422)
        assert "Nothing was imported" in page.content.decode()


def test_a_file_too_large_to_read_through_is_asked_about_once_it_is_imported(sign_in, ridden, monkeypatch):
    """A proxy gives an answer up after 60 s; until somebody answers, no result rests on the log."""
    monkeypatch.setattr("sessions.logs.column_pages.LARGEST_READ_AGAIN_BYTES", 10)
    log = stored(ridden, KINDS["mV not named"])
    head, mapping = understood(log)
    client = sign_in("recorder")
    assert client.post(f"/sessions/logs/{log.pk}/columns/", sent(head, mapping, read="yes")).status_code == 302
    log.refresh_from_db()
    assert log.state == Log.State.READ
    assert "but the full pack has 58.8 V" in client.get(log.get_absolute_url()).content.decode()
    season = Season.beyond_doubt(ridden.revision.vehicle)
    assert log.pk in season.left_out.logs
