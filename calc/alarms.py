"""Warnings shown above everything else when a limit is passed or nearly reached."""

from __future__ import annotations

from typing import NamedTuple

from calc.quantities import written
from calc.voltage_limits import NEAR_FRACTION, OVER, WITHIN, is_cut_off, voltage_state

PASSED, NEARLY, EXACTLY, TOO_LOW = "over", "near the limit", "at the limit", "too low"


class Alarm(NamedTuple):
    """A warning that a limit is passed or nearly reached."""

    word: str
    title: str
    sentence: str

    @property
    def is_over(self) -> bool:
        return self.word in (PASSED, TOO_LOW)


def highest_alarm(whose: str, limit_v: float, voltage_v: float, subject: str, measured: bool) -> Alarm | None:
    """The alarm of a voltage against the limit of controller or motor; None while it is well within.

    Parameters
    ----------
    whose: "controller" or "motor".
    limit_v: highest voltage it allows [V], above 0.
    voltage_v: the highest voltage [V].
    subject: what has that voltage, such as "the full pack".
    measured: whether it was measured, rather than taken from a data sheet.

    Returns
    -------
    Alarm, or None.

    Raises
    ------
    ValueError: as in `voltage_state`.

    Examples
    --------
    >>> highest_alarm("controller", 84.0, 86.2, "the pack at rest before", True).title
    'Above the voltage limit of the controller.'
    >>> highest_alarm("controller", 84.0, 60.0, "the full pack", False) is None
    True
    """
    state = voltage_state(limit_v, voltage_v, measured)
    if state == WITHIN:
        return None
    reached, limit = written(voltage_v, "voltage"), written(limit_v, "voltage")
    exactly = reached == limit
    reading = f"{_capital(subject)} {'had' if measured else 'has'} {reached}"
    if state == OVER:
        return Alarm(
            PASSED,
            f"{'At' if exactly else 'Above'} the voltage limit of the {whose}.",
            f"{reading}; the limit of the {whose} is {limit}. Too much voltage can destroy the electronics and start a "
            "fire: do not connect the pack before both are checked.",
        )
    return Alarm(
        EXACTLY if exactly else NEARLY,
        f"{'At' if exactly else 'Near'} the voltage limit of the {whose}.",
        f"{reading}, {'exactly' if exactly else f'within {100 * NEAR_FRACTION:g} % of'} the limit of {limit}. "
        "A meter that reads low, a charger set high or braking into a full pack can pass it.",
    )


def cut_off_alarm(cut_off_v: float, voltage_v: float, subject: str, measured: bool) -> Alarm | None:
    """The alarm of a voltage at which the controller stops; None above the cut-off.

    Parameters
    ----------
    cut_off_v: low-voltage cut-off of the controller [V], above 0.
    voltage_v: the voltage there is [V].
    subject: what has that voltage, such as "the full pack".
    measured: whether it was measured, rather than taken from a data sheet.

    Returns
    -------
    Alarm, or None.

    Raises
    ------
    ValueError: as in `is_cut_off`.

    Examples
    --------
    >>> cut_off_alarm(60.0, 58.8, "the full pack", False).sentence
    'The full pack has 58.8 V; the controller stops at 60 V and below.'
    """
    if not is_cut_off(cut_off_v, voltage_v):
        return None
    reached, limit = written(voltage_v, "voltage"), written(cut_off_v, "voltage")
    return Alarm(
        TOO_LOW,
        "Below the controller's cut-off.",
        f"{_capital(subject)} {'had' if measured else 'has'} {reached}; the controller stops at {limit} and below.",
    )


def temperature_alarm(
    whose: str, limit_c: float, reached_c: float, *, highest: bool = True, charged: bool = False
) -> Alarm | None:
    """What to say of a temperature beyond its limit; nothing where it is not.

    Parameters
    ----------
    whose: "battery", "motor" or "controller".
    limit_c: highest or lowest temperature it may have [°C].
    reached_c: the hottest or coldest there was [°C].
    highest: whether the limit is the highest; else it is the lowest.
    charged: whether the limit is that while charge flows into it.

    Returns
    -------
    Alarm, or None.

    Examples
    --------
    >>> temperature_alarm("battery", 60.0, 71.0)[1:]
    ('Hotter than the battery may be.', 'The hottest: 71 °C. Its limit: 60 °C.')
    >>> temperature_alarm("battery", 0.0, 4.0, highest=False, charged=True) is None
    True
    """
    if (reached_c <= limit_c) if highest else (reached_c >= limit_c):
        return None
    reached, limit = written(reached_c, "temperature"), written(limit_c, "temperature")
    while_ = " while it is charged" if charged else ""
    return Alarm(
        PASSED,
        f"{'Hotter' if highest else 'Colder'} than the {whose} may be{while_}.",
        f"The {'hottest' if highest else 'coldest'}{while_}: {reached}. Its limit{while_}: {limit}.",
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
