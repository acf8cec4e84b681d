"""The invented season: simulated, reproducible, marked, and removable without touching anything real."""

import csv
from collections import Counter
from datetime import timedelta

import numpy as np
import pytest
from django.core.management import CommandError, call_command
from scipy.integrate import solve_ivp

from buildlog.machines.machine import Machine
from buildlog.models import (
    BalanceTest,
    Failure,
    FailureMode,
    Fitting,
    Individual,
    Modification,
    Part,
    Photo,
    Revision,
    SignOff,
    Vehicle,
)
from buildlog.upkeep.due import Upkeep
from sessions.bench.release import release_state
from sessions.demo import loading, season
from sessions.demo.ride import STEP_S, Build, Day, RoadLoad, simulate
from sessions.demo.season import SEASON
from sessions.demo.voice import TONES_HZ, checksum, flac_in_mp4, tone
from sessions.evidence.season import Season
from sessions.logs.charts import lines_of, points_of
from sessions.logs.csv_layout import Layout
from sessions.logs.instrument_columns import fits
from sessions.logs.models import ColumnMapping, FormulaChannel, Instrument
from sessions.logs.timeline import Timeline
from sessions.models import Gate, Log, MarkTap, Pass, Reading, Session, TestCard, Trial, Venue, VoiceNote
from sessions.outings.models.two_phones import unpaired_marks

STILL = Day(air_temperature_c=-5.0, wind_mps=0.0, rolling_factor=1.0)


@pytest.fixture(scope="module")
def ride():
    return simulate(SEASON[0].build, STILL, 4, 800.0, (0.0, 50.0, 100.0))


def test_same_seed_same_season(db):
    loading.load()
    first = list(Session.objects.order_by("started_at").values_list("distance_m", "charge_used_ah"))
    loading.remove()
    loading.load()
    assert list(Session.objects.order_by("started_at").values_list("distance_m", "charge_used_ah")) == first


def test_enough_of_everything_and_all_of_it_valid(db):
    loading.load()
    assert Revision.objects.count() >= 6
    assert Session.objects.count() >= 20
    per_revision = Counter(Session.objects.values_list("revision", flat=True))
    assert min(per_revision.values()) >= 3
    for model in (Vehicle, Revision, Part, Fitting, Modification, Failure, Venue, Gate, Session, Pass, Reading):
        assert model.objects.exists()
        for row in model.objects.all():
            row.full_clean()


def test_it_shows_each_part_of_the_loop_once_and_one_doubt(db):
    loading.load()
    vehicle = Vehicle.objects.get(invented=True)
    decided, still_open = sorted(Trial.objects.all(), key=lambda trial: trial.is_open)
    assert (decided.state, still_open.state) == ("decided", "open")
    assert decided.tells is not None
    for trial in (decided, still_open):
        trial.full_clean()
        # Opened before its first day, so every day counts.
        assert trial.counts_from is None
        assert trial.opened_on <= trial.counted_sessions.earliest("started_at").started_at.date()
    held = {
        failure.mode.name: failure.standing
        for failure in Failure.objects.select_related("mode", "revision__vehicle")
        if failure.standing.state == "held"
    }
    assert held["chain came off"].shown.proof.shown
    assert not held["chain came off"].shown.by
    by_other_ways = held["lifted a runner in a turn"].shown
    assert (by_other_ways.by, by_other_ways.lacks) == ({"calculation", "inspection"}, ())
    assert Season.beyond_doubt(vehicle).left_out.count == 1
    newest = Revision.objects.select_related("vehicle").get(status="riding")
    assert [row.word for row in Upkeep([vehicle.pk]).on(newest)] == ["not due", "not due"]
    assert Individual.objects.get().places.count() == len(SEASON)


def test_it_has_a_logger_s_file_a_track_photos_and_a_card_and_leaves_nothing_of_them(db, settings):
    loading.load()
    table, track = sorted(Log.objects.all(), key=lambda log: log.name)
    assert (table.session, table.state, track.state) == (track.session, "read", "read")
    session = table.session
    assert session == Session.objects.order_by("started_at").last()
    # What the instruments say and what was typed is the same ride: the counter was off by a few per cent at most.
    for log in (table, track):
        assert log.length_m == pytest.approx(session.distance_m, rel=0.05)
        assert log.duration_s == pytest.approx(session.runtime_s, abs=2.0)
    assert {photo.caption.partition(":")[0] for photo in Photo.objects.all()} == {"Invented"}
    assert TestCard.objects.get().items.filter(outcome="open").count() == 3
    assert not ColumnMapping.objects.exists()
    loading.remove()
    for model in (Log, Photo, TestCard):
        assert not model.objects.exists()


def test_its_logger_is_a_known_instrument_whose_file_fits_and_a_formula_adds_a_line(db):
    loading.load()
    instrument, formula = Instrument.objects.get(), FormulaChannel.objects.get()
    table = Log.objects.get(name="invented-logger.csv")
    assert table.instrument == instrument
    # Tried on import, and nothing was beyond what the instrument can give; the next file with its columns is its own.
    assert table.summary["instrument_misfits"] == 0
    assert fits(instrument.known_columns, Layout.from_json(table.layout))
    for row in (instrument, formula):
        row.full_clean()
    with Timeline(table.session, [table]) as timeline:
        ((name, unit, trace),) = timeline.formulas()
        line = next(line for line in lines_of(timeline) if line.panel == formula.name)
        ((_, changes),) = points_of([line], "metric")
    assert (name, unit, trace.log) == ("Acceleration", "m/s²", table)
    # numpy 2.4, gradient: the change of the speed that the file has, for each of its seconds.
    with table.original.open("rt") as file:
        speeds_mps = np.array([float(row["speed km/h"]) / 3.6 for row in csv.DictReader(file)])
    assert max(changes) == pytest.approx(np.gradient(speeds_mps).max(), abs=0.002)
    assert min(changes) == pytest.approx(np.gradient(speeds_mps).min(), abs=0.002)
    loading.remove()
    assert not Instrument.objects.exists()
    assert not FormulaChannel.objects.exists()


def _newest_machine():
    revision = Revision.objects.select_related("vehicle", "parent").get(status="riding")
    return Machine.in_line(revision)


def test_its_newest_revision_was_weighed_and_tilted_and_both_agree_with_its_parts(db):
    loading.load()
    weighing, tilt = BalanceTest.objects.order_by("-kind")
    assert (weighing.kind, tilt.kind) == ("weighing", "tilt")
    for test in (weighing, tilt):
        test.full_clean()
        assert test.revision.status == "riding"
        assert test.notes.startswith("Invented")
    # Sums and moments of the parts, as in any textbook of statics.
    parts = [
        (fitting.quantity * fitting.part.mass_kg, fitting.x_m, fitting.z_m)
        for fitting in tilt.revision.fittings.select_related("part")
    ]
    mass_kg = sum(part_kg for part_kg, _, _ in parts)
    x_m, z_m = (sum(row[0] * row[axis] for row in parts) / mass_kg for axis in (1, 2))
    assert weighing.total_kg == pytest.approx(mass_kg, rel=0.02)
    front_kg = sum(row["mass_kg"] for row in weighing.loads if row["x_m"] > 0)
    assert front_kg * 1.45 == pytest.approx(mass_kg * x_m, rel=0.02)
    # The edge from the rear contact to the left runner, 1.45 m forward and half of 1.16 m aside.
    aside_m = x_m * 0.58 / np.hypot(1.45, 0.58)
    assert tilt.tilt_deg == pytest.approx(np.degrees(np.arctan2(aside_m, z_m)), abs=1.0)

    balance = _newest_machine().balance
    assert balance.mass.how == "As weighed."
    assert balance.forward.how == "By weighing each contact, without rider."
    assert balance.height.how == "By a tilt test, without rider."
    points = [row.point.title for row in release_state(_newest_machine().revision).points]
    BalanceTest.objects.all().delete()
    assert balance.mass.value != _newest_machine().balance.mass.value
    assert [row.point.title for row in release_state(_newest_machine().revision).points] == points


def test_two_phones_timed_its_last_but_one_outing_and_a_note_of_it_sounds(db, sign_in):
    loading.load()
    number, index = season.BY_TWO_PHONES
    session = Session.objects.filter(revision__number=number).order_by("started_at")[index]
    assert {tap.session for tap in MarkTap.objects.all()} == {session}
    assert unpaired_marks(session) == []
    rows = list(session.passes.all())
    assert [row.number for row in rows] == list(range(1, len(rows) + 1))
    assert [row.method == "two_phones" for row in rows] == [False] * (len(rows) - 2) + [True, True]
    assert [row.direction for row in rows] == [("out", "back")[row % 2] for row in range(len(rows))]
    for row in rows[-2:]:
        # JCGM 100:2008, 5.1.2: two taps of 0.09 s.
        assert row.u_duration_s == pytest.approx(0.127, abs=0.001)
        assert row.duration_s == pytest.approx(rows[0].duration_s, rel=0.1)
    note = VoiceNote.objects.get()
    note.full_clean()
    assert (note.session, note.kind, note.caption[:8]) == (session, "mp4", "Invented")
    assert note.time_into_session_s + note.duration_s < (session.ended_at - session.started_at).total_seconds()
    page = sign_in("reader").get(session.get_absolute_url()).content.decode()
    assert "Two phones" in page
    assert f'src="{note.get_absolute_url()}"' in page
    loading.remove()
    for model in (MarkTap, VoiceNote, BalanceTest):
        assert not model.objects.exists()


def test_the_tone_is_what_it_says_and_its_file_is_whole():
    # Check values of CRC-8/SMBUS and CRC-16/UMTS for "123456789", from the catalogue of parametrised CRC algorithms:
    # the polynomials of RFC 9639, 9.1.8 and 9.3.
    assert (checksum(b"123456789", 8, 0x07), checksum(b"123456789", 16, 0x8005)) == (0xF4, 0xFEE8)
    samples = tone()
    # numpy 2.4, rfft: one second of each, so a bin is 1 Hz.
    loudest = [int(np.argmax(np.abs(np.fft.rfft(part)))) for part in np.split(np.array(samples), len(TONES_HZ))]
    assert loudest == list(TONES_HZ)
    # ISO/IEC 14496-12, 4.2: the sizes of the boxes add up to the file, and the first frame is where `stco` says.
    file = flac_in_mp4(samples)
    names, at = [], 0
    while at < len(file):
        names.append(file[at + 4 : at + 8])
        at += int.from_bytes(file[at : at + 4])
    assert (names, at) == ([b"ftyp", b"moov", b"mdat"], len(file))
    first = int.from_bytes(file[file.index(b"stco") + 12 :][:4])
    assert first == file.index(b"mdat") + 4
    # RFC 9639, 9.1: a frame begins with 14 bits of sync code; its 16-bit samples follow 9 octets.
    assert file[first : first + 2] == b"\xff\xf8"
    assert np.frombuffer(file[first + 9 :][:8000], ">i2").tolist() == samples[:4000]
    for wrong in ([], samples[:-1], samples * 33):
        with pytest.raises(ValueError, match="multiple"):
            flac_in_mp4(wrong)


def test_nothing_of_it_is_dated_after_its_season_but_when_it_was_loaded(db):
    loading.load()
    last = Session.objects.latest("started_at").started_at
    for signed in SignOff.objects.all():
        assert last < signed.signed_at < last + timedelta(days=7)


def test_every_page_says_that_it_is_invented(sign_in):
    loading.load()
    client = sign_in("owner")
    session = Session.objects.first()
    for path in ("/", "/sessions/", session.get_absolute_url(), "/compare/", "/failures/", "/parts/", "/account/"):
        assert "Invented demo data is loaded" in client.get(path).content.decode()
    call_command("demo", "remove", verbosity=0)
    assert "Invented demo data" not in client.get("/").content.decode()


def test_removing_leaves_what_is_real(session, timed_pass, reading, failure, battery):
    kept = {model: set(model.objects.values_list("pk", flat=True)) for model in (Vehicle, Session, Pass, Part, Failure)}
    loading.load()
    assert loading.load() is False
    assert loading.remove() is True
    for model, keys in kept.items():
        assert set(model.objects.values_list("pk", flat=True)) == keys
    assert FailureMode.objects.filter(name="chain came off").exists()  # a real failure uses the word
    assert loading.remove() is False


def test_a_demo_that_real_sessions_rest_on_stays(revision):
    loading.load()
    Session.objects.create(revision=revision, venue=Venue.objects.get(invented=True))
    with pytest.raises(CommandError, match="1 sessions of your own"):
        call_command("demo", "remove")
    assert Vehicle.objects.filter(invented=True).exists()


def test_coasting_agrees_with_an_independent_solver():
    # scipy 1.17, solve_ivp of m dv/dt = −F(v).
    build = SEASON[0].build
    load = RoadLoad.on(build, STILL)
    run = solve_ivp(lambda _, v: [-load.force_n(v[0], 0.0) / build.mass_kg], (0, 10), [14.0], rtol=1e-9)
    speed = 14.0
    for _ in range(round(10 / STEP_S)):
        speed -= load.force_n(speed, 0.0) / build.mass_kg * STEP_S
    assert speed == pytest.approx(run.y[0, -1], rel=0.01)


def test_energy_is_power_over_time(ride):
    # numpy 2.4, trapezoid over the ride's own samples.
    samples = np.array(ride.samples)
    wh = np.trapezoid(samples[:, 1] * samples[:, 2], samples[:, 0]) / 3600
    ah = np.trapezoid(samples[:, 2], samples[:, 0]) / 3600
    assert ride.energy_wh == pytest.approx(wh, rel=0.005)
    assert ride.charge_ah == pytest.approx(ah, rel=0.005)


def test_the_motor_gives_no_more_than_it_has(ride):
    build = SEASON[0].build
    for _, voltage_v, current_a, *_ in ride.samples:
        assert voltage_v * current_a <= build.motor_power_w / build.efficiency + 16
    assert max(100 / times[-1] for _, times in ride.passes) < build.no_load_speed_mps


def test_a_headwind_costs(ride):
    windy = simulate(SEASON[0].build, Day(-5.0, 6.0, 1.0), 4, 800.0, (0.0, 50.0, 100.0))
    assert windy.energy_wh / windy.distance_m > ride.energy_wh / ride.distance_m


def test_a_cold_pack_sags_more():
    warm, cold = (
        simulate(Build(145, 0.6, 0.03, 2500, 17, 12, 60, 0.035), Day(t, 0, 1), 2, 500, (0.0, 100.0)) for t in (15, -25)
    )
    assert min(s[1] for s in cold.samples) < min(s[1] for s in warm.samples)
