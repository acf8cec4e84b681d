"""What a logger and a satellite receiver recorded of an invented ride, read in as any file of theirs is."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta

from django.core.files.uploadedfile import SimpleUploadedFile

from sessions.demo.ride import STEP_S, Ride
from sessions.logs.column_guess import guess
from sessions.logs.csv_layout import find_layout
from sessions.logs.ingest import read_stored, store_log
from sessions.logs.instrument_columns import of_file
from sessions.logs.meanings import signature_of
from sessions.logs.models import ColumnMapping, FormulaChannel, Instrument
from sessions.outings.models import Session

STEPS_PER_ROW = round(1.0 / STEP_S)
SHORE_DEG = (66.0, -1.0)
"""Latitude and longitude from which the receiver's track begins: in the open sea, where no lake is."""
METRES_PER_DEGREE = 111_412.0
STANDS_MPS = 2.5
LOGGER = "Pack logger (invented)"
LOGGER_ENDS = {
    "voltage_v": (0.0, 100.0),
    "current_a": (-200.0, 200.0),
    "speed_mps": (0.0, 40.0),
    "motor_temperature_c": (-40.0, 150.0),
}
"""What its inputs can give, as its maker would state it."""
FORMULA = ("Acceleration", "rate(speed)", "m/s²", "Invented: where it pulls and where it brakes.")
"""A line of the charts that is worked out from others: its name, how, its unit, and what it is for."""


def record(session: Session, ride: Ride) -> None:
    """Both files of a ride that began with its session; the logger stays known as an instrument of its machine."""
    _read_table(session, _table(ride))
    track = store_log(session, _file("invented-receiver.gpx", _track(session.started_at, ride)))
    read_stored(track)
    name, formula, unit, notes = FORMULA
    channel = FormulaChannel(vehicle=session.revision.vehicle, name=name, formula=formula, unit=unit, notes=notes)
    channel.full_clean()
    channel.save(force_insert=True)


def _read_table(session: Session, text: str) -> None:
    log = store_log(session, _file("invented-logger.csv", text))
    with log.original.open("rb") as stored:
        head = find_layout(stored, log.size_bytes)
    mapping = guess(head.layout, head.rows)
    columns = [
        replace(column, lowest=ends[0], highest=ends[1]) if (ends := LOGGER_ENDS.get(column.meaning)) else column
        for column in of_file(head.layout, mapping)
    ]
    log.instrument = Instrument(
        vehicle=session.revision.vehicle,
        name=LOGGER,
        columns=[column.as_json() for column in columns],
        notes="Invented.",
    )
    log.instrument.full_clean()
    log.instrument.save(force_insert=True)
    log.save(update_fields=["instrument"])
    read_stored(log, head.layout, mapping)
    # What the columns of an invented file mean is nothing to remember for a file of the reader's own.
    ColumnMapping.objects.filter(signature=signature_of(head.layout)).delete()


def _file(name: str, text: str) -> SimpleUploadedFile:
    return SimpleUploadedFile(name, text.encode())


def _table(ride: Ride) -> str:
    """A row each second; the speed is that between two rows."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(["time s", "voltage V", "current A", "speed km/h", "motor temperature °C"])
    before_m = 0.0
    for time_s, voltage_v, current_a, _, motor_c, distance_m in ride.samples[STEPS_PER_ROW - 1 :: STEPS_PER_ROW]:
        speed_kmh = 3.6 * (distance_m - before_m)
        before_m = distance_m
        writer.writerow([f"{time_s:.1f}", f"{voltage_v:.2f}", f"{current_a:.1f}", f"{speed_kmh:.1f}", f"{motor_c:.1f}"])
    return text.getvalue()


def _track(start: datetime, ride: Ride) -> str:
    """A point each second: out and back along a gentle bend, turned wherever the machine came to rest."""
    points = "".join(
        f'<trkpt lat="{latitude:.7f}" lon="{longitude:.7f}">'
        f"<time>{(start + timedelta(seconds=time_s)).isoformat()}</time></trkpt>"
        for time_s, latitude, longitude in _places(ride)
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?><gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" '
        f'creator="Firnlog, invented"><trk><name>Invented</name><trkseg>{points}</trkseg></trk></gpx>'
    )


def _places(ride: Ride) -> Iterator[tuple[float, float, float]]:
    latitude, longitude = SHORE_DEG
    along_m, way, before_m, was_fast = 0.0, 1.0, 0.0, False
    for time_s, _, _, _, _, distance_m in ride.samples[STEPS_PER_ROW - 1 :: STEPS_PER_ROW]:
        step_m, before_m = distance_m - before_m, distance_m
        if was_fast and step_m < STANDS_MPS:
            way, was_fast = -way, False
        was_fast = was_fast or step_m > 2.0 * STANDS_MPS
        along_m += way * step_m
        side_m = 60.0 * math.sin(along_m / 500.0)
        yield (
            time_s,
            latitude + along_m / METRES_PER_DEGREE,
            longitude + side_m / METRES_PER_DEGREE / math.cos(math.radians(latitude)),
        )
