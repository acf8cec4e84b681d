"""How the first row of a logger's file is understood, for the page of its columns."""

from __future__ import annotations

import math
from datetime import UTC
from typing import Any

import numpy as np

from sessions.logs.csv_layout import Head
from sessions.logs.csv_reading import number_in, text_columns
from sessions.logs.logger_time import NumberTimes, TextTimes
from sessions.logs.meanings import BY_COLUMN, TIME, Mapping, to_stored


def first_row(head: Head, mapping: Mapping, zone: Any = UTC) -> dict[str, float | str]:
    """How the first row of data is understood: stored values by their columns, the time in words."""
    values: dict[str, float | str] = {}
    stored_as = mapping.columns()
    texts = text_columns(mapping)
    row = head.rows[0]
    for choice in mapping.choices:
        meaning = BY_COLUMN.get(choice.meaning)
        if meaning is None or not choice.index < len(row) or choice.unit not in meaning.units:
            continue
        if choice in texts:
            times = TextTimes(texts[0].unit, zone)
            seconds = times.seconds([" ".join(row[text.index] for text in texts)])
            times.from_start(seconds)
            moment = times.moment
            since = "the start" if times.unit == "minutes:seconds" else "midnight"
            clock = f"{seconds[0]:g} s since {since}" if not times.bad else ""
            values[choice.meaning] = f"{moment.astimezone(zone):%Y-%m-%d %H:%M:%S}" if moment else clock
            continue
        value = number_in(row[choice.index], head.layout)
        if value is None or math.isnan(value):
            continue
        if choice.meaning == TIME:
            numbers = NumberTimes(choice.unit, mapping.interval_s)
            seconds, moment = numbers.seconds(np.array([value])), numbers.moment
            values[TIME] = f"{moment.astimezone(zone):%Y-%m-%d %H:%M:%S}" if moment else f"{float(seconds[0]):g} s"
        else:
            values[stored_as[choice]] = float(to_stored(choice, value))
    return values
