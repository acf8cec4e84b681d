"""How far a voltage is from the limits of controller and motor: the same sum, words and alarm for builds and rides."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc import pack
from calc.alarms import Alarm, cut_off_alarm, highest_alarm
from calc.declaration import Number
from calc.quantities import written


class Voltage(NamedTuple):
    """A voltage of the pack, what has it in words, and whether it was measured rather than taken from a data sheet."""

    voltage_v: float
    subject: str
    measured: bool


class VoltageMargin(NamedTuple):
    """What is left [V], how it was worked out, the alarm where too little is; the limit, and what came near it [V]."""

    margin_v: float
    method: str
    alarm: Alarm | None
    limit_v: float
    reached_v: float


def margin_to_highest_v(limit_v: Number, voltage_v: Number) -> Any:
    """What is left to the highest voltage, float or array [V].

    Of a logger that counts the other way, it is what is left from 0 V.

    Examples
    --------
    >>> float(margin_to_highest_v(60.0, 54.5)), float(margin_to_highest_v(60.0, -54.5))
    (5.5, 60.0)
    """
    return pack.voltage_margin_v(limit_v, np.maximum(voltage_v, 0.0))


def margin_to_highest(whose: str, limit_v: float, highest: Voltage) -> VoltageMargin:
    """The margin of the highest voltage to the limit of the controller or motor.

    Parameters
    ----------
    whose: "controller" or "motor".
    limit_v: highest voltage it allows [V], above 0.
    highest: the highest voltage.

    Examples
    --------
    >>> margin_to_highest("motor", 84.0, Voltage(60.0, "the full pack", False))[:2]
    (24.0, 'Limit 84 V less the highest voltage, 60 V: the full pack.')
    """
    return VoltageMargin(
        float(margin_to_highest_v(limit_v, highest.voltage_v)),
        f"Limit {written(limit_v, 'voltage')} less the highest voltage, {written(highest.voltage_v, 'voltage')}: "
        f"{highest.subject}.",
        highest_alarm(whose, limit_v, *highest),
        limit_v,
        highest.voltage_v,
    )


def margin_to_cut_off(cut_off_v: float, lowest: Voltage) -> VoltageMargin:
    """The margin of the lowest voltage to that at which the controller stops.

    Parameters
    ----------
    cut_off_v: low-voltage cut-off of the controller [V], above 0.
    lowest: the lowest voltage; of a build that of its full pack, below which nothing would run at all.

    Examples
    --------
    >>> margin_to_cut_off(42.0, Voltage(58.5, "the full pack", False))[:2]
    (16.5, 'The full pack, 58.5 V, less the cut-off, 42 V.')
    """
    subject = lowest.subject[:1].upper() + lowest.subject[1:]
    return VoltageMargin(
        lowest.voltage_v - cut_off_v,
        f"{subject}, {written(lowest.voltage_v, 'voltage')}, less the cut-off, {written(cut_off_v, 'voltage')}.",
        cut_off_alarm(cut_off_v, *lowest),
        cut_off_v,
        lowest.voltage_v,
    )
