"""Rows of an old notebook as sessions that are not stored yet, and what is wrong with each."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any

from django.core.exceptions import ValidationError
from django.utils import timezone

from buildlog.machines.models import Revision, Vehicle
from buildlog.quantities.fields import within
from calc.quantities import NotUnderstood, understand
from sessions.outings.models import Session, Venue
from sessions.sharing.notebook_columns import MEANINGS, QUANTITIES

ORDERS = {"ymd": "2026-01-17", "dmy": "17.1.2026", "mdy": "1/17/2026"}
"""How days may be written."""
_DAY = re.compile(r"(\d{1,4})\s*[-./]\s*(\d{1,2})\s*[-./]\s*(\d{2,4})(?:[T\s]+(.*))?")
_TIME = re.compile(r"(\d{1,2})[:.hH](\d{2})(?:[:.]\d{2}(?:\.\d+)?)?\s*([aApP])?\.?[mM]?\.?")
NOON = time(12)


@dataclass
class Reading:
    """What a file's rows were read as: sessions with their row, problems by row, and remarks for all."""

    sessions: list[tuple[int, Session]] = field(default_factory=list)
    problems: list[tuple[int, str]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    venues: dict[str, Venue] = field(default_factory=dict)
    """New venues by their name in lower case."""


@dataclass(frozen=True)
class Wanted:
    """What a person chose: the meaning and unit of each column, the machine, and how rows are read."""

    meanings: Mapping[int, str]
    units: Mapping[int, str]
    vehicle: Vehicle
    order: str = "ymd"
    venue: str = ""
    left_out: frozenset[int] = frozenset()


def day_order(texts: Sequence[str]) -> str:
    """How the days of a column are written; "" where both ways would do."""
    could_be = set(ORDERS)
    for text in texts:
        if match := _DAY.match(text.strip()):
            first, second = int(match[1]), int(match[2])
            is_year_first = len(match[1]) == 4
            could_be &= {"ymd"} if is_year_first else {"dmy", "mdy"}
            if not is_year_first and first > 12:
                could_be.discard("mdy")
            if not is_year_first and second > 12:
                could_be.discard("dmy")
            if "." in text.split()[0]:
                could_be.discard("mdy")
    return could_be.pop() if len(could_be) == 1 else ""


def read_rows(cells: Sequence[Sequence[str]], wanted: Wanted) -> Reading:
    """Every row below the headings; rows are counted as the file's own program counts them, headings being row 1."""
    reading = Reading()
    revisions = list(wanted.vehicle.revisions.select_related("vehicle").order_by("date", "number"))
    known = {venue.name.casefold(): venue for venue in Venue.objects.all()}
    starts = set(Session.objects.filter(revision__vehicle=wanted.vehicle).values_list("started_at", flat=True))
    without_time = 0
    for number, row in enumerate(cells[1:], 2):
        if number in wanted.left_out or not any(row):
            continue
        values = _by_meaning(row, wanted.meanings)
        try:
            started_at, has_time = _start(values, wanted.order)
            session = Session(
                revision=_revision(values.get("revision", ""), started_at, revisions),
                venue=_venue(values.get("venue", "") or wanted.venue, known, reading),
                started_at=started_at,
                ended_at=_end(values.get("end", ""), started_at),
                surface=_surface(values.get("surface", "")),
                notes=values.get("notes", ""),
                **_quantities(row, wanted),
            )
            session.full_clean(exclude=["venue"], validate_constraints=False)
        except (NotUnderstood, ValidationError, ValueError) as error:
            words = " ".join(error.messages) if isinstance(error, ValidationError) else str(error)
            reading.problems.append((number, words))
            continue
        if started_at in starts:
            reading.problems.append((number, f"There is a session of {started_at:%Y-%m-%d %H:%M} already."))
            continue
        starts.add(started_at)
        without_time += not has_time
        reading.sessions.append((number, session))
    if without_time:
        rows_in_words = "1 row" if without_time == 1 else f"{without_time} rows"
        reading.remarks.append(f"No time of day in {rows_in_words}: stored as of 12:00.")
    if reading.venues:
        names = ", ".join(venue.name for venue in reading.venues.values())
        reading.remarks.append(f"New venues: {names}.")
    return reading


def _by_meaning(row: Sequence[str], meanings: Mapping[int, str]) -> dict[str, str]:
    values: dict[str, str] = {}
    for index, meaning in meanings.items():
        if index < len(row) and row[index]:
            values[meaning] = f"{values[meaning]}\n{row[index]}" if meaning in values else row[index]
    return values


def _start(values: Mapping[str, str], order: str) -> tuple[datetime, bool]:
    text = values.get("day", "").strip()
    match = _DAY.fullmatch(text)
    if match is None:
        raise ValueError(f"“{text}” is not a day. Write for example {ORDERS.get(order, ORDERS['ymd'])}.")
    parts = [int(match[1]), int(match[2]), int(match[3])]
    year, month, day = {
        "ymd": (parts[0], parts[1], parts[2]),
        "dmy": (parts[2], parts[1], parts[0]),
        "mdy": (parts[2], parts[0], parts[1]),
    }[order]
    try:
        on = date(year + 2000 if year < 100 else year, month, day)
    except ValueError:
        raise ValueError(f"“{text}” is no day of a calendar, written as {ORDERS[order]}.") from None
    if on > timezone.localdate():
        raise ValueError(f"{on:%Y-%m-%d} is in the future.")
    clock = values.get("time", "") or (match[4] or "")
    at = _time(clock)
    return timezone.make_aware(datetime.combine(on, at or NOON)), at is not None


def _time(text: str) -> time | None:
    if not text.strip():
        return None
    match = _TIME.fullmatch(text.strip())
    hours = int(match[1]) if match else 99
    if match and match[3]:
        hours = hours % 12 + (12 if match[3] in "pP" else 0)
    if match is None or hours > 23 or int(match[2]) > 59:
        raise ValueError(f"“{text.strip()}” is not a time of day. Write for example 14:30.")
    return time(hours, int(match[2]))


def _end(text: str, started_at: datetime) -> datetime | None:
    at = _time(text)
    if at is None:
        return None
    return timezone.make_aware(datetime.combine(timezone.localtime(started_at).date(), at))


def _revision(text: str, started_at: datetime, revisions: Sequence[Revision]) -> Revision:
    """By its number, or else the last that was made by the day of the session."""
    if text.strip():
        match = re.fullmatch(r".*?[rR]?\s*(\d{1,4})(?:\.0)?", text.strip())
        revision = next((known for known in revisions if match and known.number == int(match[1])), None)
        if revision is None:
            raise ValueError(f"The machine has no revision “{text.strip()}”. Write for example R3.")
        return revision
    on = timezone.localtime(started_at).date()
    earlier = [known for known in revisions if known.date <= on]
    if not earlier:
        raise ValueError(f"No revision is as old as {on:%Y-%m-%d}. Make one of that day, or name it in a column.")
    return earlier[-1]


def _venue(text: str, known: dict[str, Venue], reading: Reading) -> Venue:
    name = " ".join(text.split())[:120]
    if not name:
        raise ValueError("It names no venue. Match the column, or write one venue for all rows.")
    key = name.casefold()
    if key not in known:
        known[key] = reading.venues[key] = Venue(name=name)
    return known[key]


def _surface(text: str) -> str:
    wanted = re.sub(r"[\s_]+", " ", text.strip().casefold())
    if not wanted:
        return ""
    for value, label in Session.Surface.choices:
        if wanted in (value.replace("_", " "), label.casefold()):
            return value
    listed = ", ".join(label.lower() for _, label in Session.Surface.choices)
    raise ValueError(f"“{text.strip()}” is no surface that is known here: {listed}.")


def _quantities(row: Sequence[str], wanted: Wanted) -> dict[str, Any]:
    values = {}
    for index, meaning in wanted.meanings.items():
        stored, text = QUANTITIES.get(meaning), row[index] if index < len(row) else ""
        if stored is None or text in ("", "-", "–", "?"):
            continue
        has_unit = any(sign.isalpha() or sign in "°%:" for sign in text)
        typed = text if has_unit else f"{text} {wanted.units.get(index, '')}".strip()
        try:
            number = understand(typed, stored.kind, example=stored.example)
            limits = (stored.low, stored.high, stored.includes_low)
            values[meaning] = within(number, *limits, stored.kind, stored.label, "metric", stored.example)
        except NotUnderstood as error:
            raise ValueError(f"{MEANINGS[meaning]}: {error}") from None
    return values
