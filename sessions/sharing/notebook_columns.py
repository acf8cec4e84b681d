"""What the columns of an old notebook mean: guessed from their headings, chosen by a person."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, NamedTuple

from buildlog.quantities.declared import quantities_of
from buildlog.quantities.fields import QuantityField
from calc.kinds import KINDS
from sessions.outings.models import Session

QUANTITIES: dict[str, QuantityField[Any, Any]] = {
    field.name: field for field in quantities_of(Session) if field.in_rows
}
OTHERS = {
    "day": "Day, or day and time",
    "time": "Time of day",
    "end": "Time it ended",
    "revision": "Revision",
    "venue": "Venue",
    "surface": "Surface",
    "notes": "Notes",
}
MEANINGS = {**OTHERS, **{name: field.label for name, field in QUANTITIES.items()}}
SEVERAL = {"notes"}
"""What several columns may be: their texts are joined."""
_HINTS = (
    ("day", r"\b(date|day|datum|when|start)\b"),
    ("time", r"\b(time|clock|hour)\b"),
    ("end", r"\b(end|until|finish)\b"),
    ("revision", r"\b(rev|revision|version|build)\b"),
    ("venue", r"\b(venue|place|where|lake|location|track)\b"),
    ("surface", r"\b(surface|ground|snow)\b"),
    ("ice_thickness_cm", r"\bice\b"),
    ("rider_mass_kg", r"\brider\b"),
    ("payload_kg", r"\b(payload|load)\b"),
    ("air_temperature_c", r"\b(air|temp|temperature)\b"),
    ("wind_speed_mps", r"\bwind\b"),
    ("rest_voltage_start_v", r"\b(before|start)\b.*\b(volts?|voltage|v)\b|\b(volts?|voltage|v)\b.*\b(before|start)\b"),
    ("rest_voltage_end_v", r"\b(after|end)\b.*\b(volts?|voltage|v)\b|\b(volts?|voltage|v)\b.*\b(after|end)\b"),
    ("recharge_energy_wh", r"\b(recharge|wall)\b"),
    ("charge_used_ah", r"\b(ah|charge)\b"),
    ("energy_used_wh", r"\b(k?wh|energy)\b"),
    ("runtime_s", r"\b(runtime|duration|minutes|min|ridden for)\b"),
    ("distance_m", r"\b(distance|km|miles?|ridden)\b"),
    ("notes", r"\b(notes?|remarks?|comments?)\b"),
)
"""Common headings, in the order in which they are tried; those of voltages before the words that they share."""
_ORDER = ("rest_voltage_start_v", "rest_voltage_end_v", "recharge_energy_wh")


class Column(NamedTuple):
    """A column of the file: its place, heading, first texts, and what it is taken for."""

    place: int
    heading: str
    samples: tuple[str, ...]
    meaning: str
    unit: str

    @property
    def units(self) -> list[str]:
        """The units in which its bare numbers may be."""
        return units_of(self.meaning)


def guessed(headings: Sequence[str]) -> dict[int, tuple[str, str]]:
    """For each column of which something is known, what it probably means and its unit; each meaning once."""
    taken: set[str] = set()
    guesses = {}
    hints = sorted(_HINTS, key=lambda hint: hint[0] not in _ORDER)
    for index, heading in enumerate(headings):
        words = re.sub(r"[_()\[\]/,.:;°]+", " ", heading.casefold())
        for meaning, pattern in hints:
            if meaning not in taken and re.search(pattern, words):
                guesses[index] = (meaning, unit_in(heading, meaning))
                taken.add(meaning)
                break
    return guesses


def unit_in(heading: str, meaning: str) -> str:
    """The unit that a heading names for its quantity, as it is written there; "" for none."""
    field = QUANTITIES.get(meaning)
    if field is None:
        return ""
    spellings = {spelling.casefold(): spelling for spelling in KINDS[field.kind].spellings}
    bracketed = re.findall(r"[(\[]\s*([^)\]]+?)\s*[)\]]", heading)
    for word in [*bracketed, *re.split(r"[\s,;:]+", heading)]:
        if word.casefold() in spellings:
            return spellings[word.casefold()]
    return ""


def units_of(meaning: str) -> list[str]:
    """The units in which the numbers of a column may be."""
    field = QUANTITIES.get(meaning)
    return list(KINDS[field.kind].spellings) if field is not None else []
