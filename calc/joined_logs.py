"""What several logs of one session say together: joined where they follow each other, the longer taken else.

A logger that was switched off and on, or a battery that was swapped, leaves two logs of one ride: their totals add up.
Two instruments that recorded the same minutes do not: the longer record counts, and the other is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from calc.session_facts import LogFacts

TOUCHING_S = 2.0
"""Two logs may share so much at their ends and still follow each other: clocks are set by the second."""
_HIGHEST = (
    "peak_power_w",
    "highest_current_a",
    "highest_voltage_v",
    "motor_temperature_c",
    "controller_temperature_c",
    "battery_temperature_c",
)
_LOWEST = ("lowest_voltage_v", "lowest_battery_temperature_c")
_UNPLACED = "whose place in the session is not known"
_SUMS = ("charge_ah", "returned_ah", "energy_wh", "returned_wh", "duration_s")


@dataclass(frozen=True)
class PlacedLog:
    """The facts of one log, and where it lies on the session's clock; begins_s is None where that is not known."""

    name: str
    begins_s: float | None
    facts: LogFacts

    @property
    def span_s(self) -> tuple[float, float]:
        begins_s = self.begins_s or 0.0
        return begins_s, begins_s + (self.facts.duration_s or 0.0)


def of_several_logs(logs: Sequence[PlacedLog]) -> LogFacts | None:
    """The totals of those logs that follow each other and together cover most, and the extremes of them all: a limit
    is passed whichever of them saw it. `rests_on` of the answer says which were joined, and which were left out.

    Examples
    --------
    >>> half = LogFacts(duration_s=600.0, charge_ah=2.7)
    >>> of_several_logs([PlacedLog("a", 0.0, half), PlacedLog("b", 700.0, half)]).charge_ah
    5.4
    >>> of_several_logs([PlacedLog("a", 0.0, half), PlacedLog("b", 100.0, half)]).charge_ah
    2.7
    """
    if not logs:
        return None
    electrical = [log for log in logs if log.facts.charge_ah is not None]
    joined = _best(electrical or logs)
    facts = joined[0].facts if len(joined) == 1 else _added(joined)
    extremes: dict[str, Any] = {}
    for worst, names in ((max, _HIGHEST), (min, _LOWEST)):
        for name in names:
            known = (value for log in logs if (value := getattr(log.facts, name)) is not None)
            extremes[name] = worst(known, default=None)
    return replace(facts, **extremes, rests_on=_words(joined, electrical) or None)


def _best(logs: Sequence[PlacedLog]) -> list[PlacedLog]:
    """Those that follow each other and cover most; a log whose place is not known can be joined to none."""
    placed = _most_covered([log for log in logs if log.begins_s is not None])
    by_itself = max((log for log in logs if log.begins_s is None), key=_covered_s, default=None)
    if by_itself is None or (placed and sum(map(_covered_s, placed)) >= _covered_s(by_itself)):
        return placed
    return [by_itself]


def _covered_s(log: PlacedLog) -> float:
    return log.facts.duration_s or 0.0


def _most_covered(logs: Sequence[PlacedLog]) -> list[PlacedLog]:
    """Of logs that overlap, those that together cover most time without covering any of it twice: by dynamic
    programming over their ends (weighted interval scheduling: Kleinberg and Tardos, Algorithm Design, 2005, 6.1, from
    memory)."""
    in_order = sorted(logs, key=lambda log: log.span_s[1])
    # best[n]: of the first n of them, the time covered and the logs that cover it.
    best: list[tuple[float, list[PlacedLog]]] = [(0.0, [])]
    for count, log in enumerate(in_order):
        begins_s, _ = log.span_s
        earlier = sum(other.span_s[1] <= begins_s + TOUCHING_S for other in in_order[:count])
        with_it = best[earlier][0] + _covered_s(log), [*best[earlier][1], log]
        best.append(with_it if with_it[0] > best[-1][0] or not best[-1][1] else best[-1])
    return best[-1][1]


def _added(logs: Sequence[PlacedLog]) -> LogFacts:
    listed = [log.facts for log in logs]
    sums = {}
    for name in _SUMS:
        values = [value for facts in listed if (value := getattr(facts, name)) is not None]
        sums[name] = float(sum(values)) if len(values) == len(listed) else None
    # The mean power of each is net energy over the time it was logged; of all together it is weighted by these times.
    weights = [
        facts.energy_wh / facts.mean_power_w
        if facts.energy_wh and facts.mean_power_w
        else (facts.duration_s or 0) / 3600
        for facts in listed
    ]
    energy_wh, hours = sums["energy_wh"], sum(weights)
    resistances = [facts for facts in listed if facts.resistance_ohm is not None and facts.u_resistance_ohm is not None]
    surest = min(resistances, key=lambda facts: facts.u_resistance_ohm or 0.0, default=None)
    return replace(
        max(listed, key=lambda facts: facts.duration_s or 0.0),
        charge_ah=sums["charge_ah"],
        returned_ah=sums["returned_ah"],
        energy_wh=sums["energy_wh"],
        returned_wh=sums["returned_wh"],
        duration_s=sums["duration_s"],
        mean_power_w=energy_wh / hours if energy_wh is not None and hours > 0 else None,
        resistance_ohm=surest.resistance_ohm if surest else None,
        u_resistance_ohm=surest.u_resistance_ohm if surest else None,
    )


def _words(joined: Sequence[PlacedLog], electrical: Sequence[PlacedLog]) -> str:
    """Which logs the totals rest on, where there is a choice."""
    if len(electrical) < 2:
        return ""
    names = " and ".join(log.name for log in joined)
    words = f"{names}, joined" if len(joined) > 1 else names
    others = [log for log in electrical if log not in joined]
    if not others:
        return words
    left = ", ".join(
        f"{log.name}, {_UNPLACED if log.begins_s is None else 'which covers the same time'}" for log in others
    )
    return f"{words}; not {left}"
