"""Sessions worked out: every number that their facts allow, and what the others need.

Each result says which evidence it rests on and what would improve it. What cannot be worked out is
listed with what is missing; it is never shown as zero, and never left out in silence.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from calc import stability, traction, weather
from calc.cautions import COLD
from calc.session_endurance import endurance_columns
from calc.session_energy import energy_columns
from calc.session_limits import electrical_limits
from calc.session_sheet import SessionReports, Sheet
from calc.session_speed import speed_columns
from calc.session_table import SessionTable


def evaluate(table: SessionTable) -> SessionReports:
    """Work out sessions whose facts are in columns; each calculation runs once, on arrays.

    Parameters
    ----------
    table: what is known of the sessions.

    Returns
    -------
    SessionReports, in the order of the table; the results of each in the order in which a rider asks for them.

    Raises
    ------
    ValueError: a fact is impossible, such as a distance below zero; it is named.

    Examples
    --------
    >>> facts = {"distance_m": np.array([10000.0]), "u_distance_m": np.zeros(1),
    ...          "energy_used_wh": np.array([400.0]), "u_energy_used_wh": np.zeros(1)}
    >>> report = evaluate(SessionTable(1, facts))[0]
    >>> report.get("energy_per_distance").value
    40.0
    >>> [missing.needs for missing in report.missing if missing.key == "average_gate_speed"]
    [('a pass that counts',)]
    """
    sheet = Sheet(table)
    for work in _WORK:
        work(sheet)
    return SessionReports(sheet)


REACTION_S = 1.0
"""From seeing the danger until the brake bites (common practice, no source)."""


def _stopping(sheet: Sheet) -> None:
    best = sheet.value("best_gate_speed")
    timed = ~np.isnan(best)
    friction, reaction_s = np.full(sheet.table.count, traction.CAREFUL_FRICTION), np.full(sheet.table.count, REACTION_S)
    distance = sheet.solve(traction.stopping_distance_m, timed, best, friction, reaction_s)
    sheet.add(
        "stopping_distance",
        "traction.stopping_distance_m",
        distance,
        {"a pass that counts": timed},
        f"{REACTION_S:g} s to react, then every contact braked at a grip of {traction.CAREFUL_FRICTION:g}, the low end "
        "cited for shoes on ice and skis on snow.",
    )


def _air(sheet: Sheet) -> None:
    facts = sheet.table.facts
    air, wind = facts["air_temperature_c"], facts["wind_speed_mps"]
    gate, ride = sheet.value("average_gate_speed"), sheet.value("average_speed")
    ridden = np.where(np.isnan(gate), ride, gate)
    has_air, has_speed = ~np.isnan(air), ~np.isnan(ridden)
    wind_kmh = sheet.solve(weather.ride_wind_kmh, has_speed, ridden, np.nan_to_num(wind))
    with np.errstate(invalid="ignore"):
        inside = (air >= -60) & (air <= 10) & (wind_kmh >= 5) & (wind_kmh <= 250)
    chill = sheet.solve(weather.wind_chill_c, inside, air, wind_kmh)

    def how(row: int) -> str:
        unsaid = "; no wind was recorded" if np.isnan(wind[row]) else ""
        return f"Air speed {wind_kmh[row]:.0f} km/h, straight into the wind{unsaid}."

    sheet.add(
        "wind_chill",
        "weather.wind_chill_c",
        chill,
        {
            "air temperature": has_air,
            "a speed": has_speed,
            "air at or below 10 °C, and air speed of 5 to 250 km/h": inside | ~has_air | ~has_speed,
        },
        how,
        caution=lambda row: f"{weather.frostbite(float(chill[row])).capitalize()}. {COLD}",
    )


def _tipping(sheet: Sheet) -> None:
    table, facts = sheet.table, sheet.table.facts
    track, height, base, forward = (
        facts[name] for name in ("track_width_m", "cg_height_m", "wheelbase_m", "cg_forward_m")
    )
    has_track, has_height = ~np.isnan(track), ~np.isnan(height)
    balance = _cg_needs(sheet, "height of the centre of gravity with rider")
    needs = {"track width": has_track, balance: has_height}
    factor = sheet.solve(stability.static_stability_factor, has_track & has_height, track, height)
    sheet.add(
        "static_stability_factor",
        "stability.static_stability_factor",
        factor,
        needs,
        "Half the track width over the height of the centre of gravity, with rider.",
    )
    three = table.single_contact != ""
    has_base, has_forward = ~np.isnan(base), ~np.isnan(forward)
    from_single = np.where(table.single_contact == "rear", forward, base - forward)
    with np.errstate(invalid="ignore"):
        between = (from_single >= 0) & (from_single <= base)
    where = three & has_track & has_height & between
    threshold = sheet.solve(stability.three_contact_threshold_g, where, track, height, base, from_single)
    sheet.add(
        "tip_over_threshold",
        "stability.three_contact_threshold_g",
        threshold,
        needs
        | {
            "wheelbase": has_base,
            _cg_needs(sheet, "place of the centre of gravity with rider"): has_forward | ~has_height,
            "a centre of gravity between the contacts": between | ~has_base | ~has_forward,
        },
        "Sideways on level ground, with rider.",
        applies=three,
    )


def _cg_needs(sheet: Sheet, otherwise: str) -> Callable[[int], str]:
    """What lacks for the centre of gravity, where the machine knows it."""
    return lambda row: sheet.table.cg_needs[row] or otherwise


_WORK: tuple[Callable[[Sheet], None], ...] = (
    speed_columns,
    _stopping,
    energy_columns,
    endurance_columns,
    electrical_limits,
    _air,
    _tipping,
)
