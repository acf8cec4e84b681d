"""What is left after a session, and how far and how long it would still go."""

from __future__ import annotations

import numpy as np

from calc import endurance
from calc.declaration import Measured
from calc.session_sheet import Sheet

COME_HOME = "Cold, wind and soft snow shorten it. Turn back before it says so, and carry what you need to walk home."
PACK = "a battery pack on the revision"


def endurance_columns(sheet: Sheet) -> None:
    """Range of a full pack, energy left, and range, turn-back distance and runtime from it."""
    table, facts = sheet.table, sheet.table.facts
    reserve = facts["reserve_fraction"]
    usable, per_km = table.pack["energy_wh"], sheet.value("energy_per_distance")
    u_per_km = sheet.u("energy_per_distance")
    has_pack = ~np.isnan(usable)
    with np.errstate(invalid="ignore"):
        has_consumption = per_km > 0

    def kept(row: int) -> str:
        return f"{100 * reserve[row]:.0f} % reserve"

    full = sheet.solve(
        endurance.remaining_range, has_pack & has_consumption, usable, reserve, per_km, 0.05 * usable, u_per_km
    )
    sheet.add("range", "Range of a full pack", "trip", "endurance.remaining_range", full,
              {PACK: has_pack, "energy per km": has_consumption},
              lambda row: f"Nominal pack energy less {kept(row)}, at this session's energy per km.",
              caution=COME_HOME)  # fmt: skip
    left = _energy_left(sheet)
    with np.errstate(invalid="ignore"):
        has_left = left.value > 0
    where = has_left & has_consumption
    needs = {"energy left above zero": has_left, "energy per km": has_consumption}
    ahead = sheet.solve(endurance.remaining_range, where, left.value, reserve, per_km, left.u, u_per_km)
    sheet.add("remaining_range", "Remaining range", "trip", "endurance.remaining_range", ahead, needs,
              lambda row: f"Energy left less {kept(row)}.", caution=COME_HOME)  # fmt: skip
    # The same consumption both ways, and so wrong the same way: nothing in a session says what the
    # way home will cost.
    turn = sheet.solve(
        endurance.turn_back_distance, where, left.value, reserve, per_km, per_km, left.u, u_per_km, u_per_km,
        consumption_correlation=1.0,
    )  # fmt: skip
    sheet.add("turn_back_distance", "Turn-back distance", "trip", "endurance.turn_back_distance", turn, needs,
              lambda row: f"Half of what is left less {kept(row)}; into the wind it is shorter.",
              caution=COME_HOME)  # fmt: skip
    power = sheet.value("mean_power")
    with np.errstate(invalid="ignore"):
        has_power, known = power > 0, left.value >= 0
    runtime = sheet.solve(endurance.runtime_s, has_power & known, left.value, reserve, power)
    sheet.add("runtime_left", "Remaining runtime", "runtime", "endurance.runtime_s", runtime,
              {"energy left": known, "mean power": has_power},
              lambda row: f"Energy left less {kept(row)}, at the mean power.")  # fmt: skip


def _energy_left(sheet: Sheet) -> Measured:
    table, facts = sheet.table, sheet.table.facts
    usable, used = table.pack["energy_wh"], sheet.value("energy_used")
    start, end = facts["rest_state_start"], facts["rest_state_end"]
    by_rest, has_start = ~np.isnan(end), ~np.isnan(start)
    began = usable * np.where(has_start, start, 1.0)
    u_rest = facts["u_rest_charge_fraction"] * usable
    with np.errstate(invalid="ignore"):
        by_use = (began > 0) & ~np.isnan(used)
    less_used = sheet.solve(endurance.energy_left_wh, by_use, began, np.maximum(used, 0.0))
    left = Measured(
        np.where(by_rest, end * usable, less_used),
        np.where(by_rest, u_rest, np.hypot(u_rest, sheet.u("energy_used"))),
    )

    def how(row: int) -> str:
        if by_rest[row]:
            return "Rest voltage after, through the assumed curve."
        at_start = "from its rest voltage before" if has_start[row] else "taken as full at the start"
        return f"Pack {at_start}, less the energy used."

    sheet.add("energy_left", "Energy left", "energy", "endurance.energy_left_wh", left,
              {"a battery pack on the revision": ~np.isnan(usable),
               "energy used, or rest voltage after": by_rest | ~np.isnan(used)},
              how, evidence=lambda row: "rest-voltage curve" if by_rest[row] else "energy used")  # fmt: skip
    return left
