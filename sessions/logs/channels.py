"""What of a log is drawn as a line: its measured columns, and what follows from several of them at each row."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from calc.geodesy import track_speed_mps
from sessions.logs.meanings import meaning_of

Columns = Mapping[str, Any]


@dataclass(frozen=True)
class Channel:
    """One line's values: `of` works them out from the rows at which all of `needs` are measured."""

    name: str
    needs: tuple[str, ...]
    of: Callable[[Columns], Any]
    needs_neighbours: bool = False
    """A value rests on the rows before and after its own."""


def _measured(name: str) -> Channel:
    return Channel(name, (name,), lambda known: known[name])


CHANNELS = {
    channel.name: channel
    for channel in (
        *map(
            _measured,
            ("voltage_v", "current_a", "speed_mps", "wheel_speed_mps", "battery_temperature_c",
             "motor_temperature_c", "controller_temperature_c", "logged_power_w", "motor_current_a", "throttle_share",
             "altitude_m", "lowest_cell_voltage_v", "highest_cell_voltage_v", "charge_out_ah", "charge_in_ah",
             "energy_out_wh", "energy_in_wh"),
        ),
        Channel("power_w", ("voltage_v", "current_a"), lambda known: known["voltage_v"] * known["current_a"]),
        # Which way the motor turns is a matter of its wiring.
        Channel("motor_turns_rpm", ("motor_speed_rpm",), lambda known: np.abs(known["motor_speed_rpm"])),
        Channel(
            "track_speed_mps", ("lat_deg", "lon_deg"),
            lambda known: track_speed_mps(known["time_s"], known["lat_deg"], known["lon_deg"]),
            needs_neighbours=True,
        ),
    )
}  # fmt: skip


def channels_in(columns: Columns) -> dict[str, Channel]:
    """Every line that columns can be drawn as: those that are known, and each numbered column, such as a cell's voltage
    or a value that has no meaning here."""
    known = {name: channel for name, channel in CHANNELS.items() if is_in(channel, columns)}
    numbered = (name for name in columns if (meaning := meaning_of(name)) is not None and meaning.is_many)
    return known | {name: _measured(name) for name in numbered}


def channel_named(name: str) -> Channel:
    """The line of a name, also of a numbered column."""
    return CHANNELS.get(name) or _measured(name)


def is_in(channel: Channel, columns: Columns) -> bool:
    return {"time_s", *channel.needs} <= set(columns)


def known_rows(channel: Channel, columns: Columns) -> dict[str, Any]:
    """The times and what the channel needs, at the rows where all of it is measured."""
    known = {name: columns[name] for name in ("time_s", *channel.needs)}
    nothing = _not_measured(channel, known)
    return {name: values[~nothing] for name, values in known.items()} if nothing.any() else known


def _not_measured(channel: Channel, columns: Columns) -> Any:
    nothing = np.zeros(columns["time_s"].size, dtype=bool)
    for name in channel.needs:
        nothing |= np.isnan(columns[name])
    return nothing


def _fewest_rows(channel: Channel) -> int:
    return 2 if channel.needs_neighbours else 1


def samples_of(channel: Channel, known: Columns) -> tuple[Any, Any]:
    """Times and values of the channel from `known_rows`; empty where they are too few."""
    times = known["time_s"]
    if times.size < _fewest_rows(channel):
        return np.empty(0), np.empty(0)
    values = channel.of(known)
    # A formula may divide by zero.
    good = ~np.isnan(values)
    return (times, values) if good.all() else (times[good], values[good])


def row_values(channel: Channel, columns: Columns) -> Any:
    """The value of the channel at every row; NaN where it has none."""
    read = {name: columns[name] for name in ("time_s", *channel.needs)}
    measured = ~_not_measured(channel, read)
    values = np.full(measured.size, np.nan)
    if int(measured.sum()) >= _fewest_rows(channel):
        values[measured] = channel.of({name: column[measured] for name, column in read.items()})
    return values
