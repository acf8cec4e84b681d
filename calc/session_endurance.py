"""What is left after a session, and how far and how long it would still go."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from calc import endurance, pack
from calc.budget import Budget
from calc.declaration import Measured
from calc.quantities import written
from calc.session_energy import COLD, END, PACK, START, VOLTMETER
from calc.session_facts import COLD_U_SHARE, PACK_U_FRACTION
from calc.session_sheet import Sheet

NEEDS_PACK = "a battery pack on the revision"


def endurance_columns(sheet: Sheet) -> None:
    """Range of a full pack, energy left, and range, turn-back distance and runtime from it."""
    table = sheet.table
    reserve, usable = table.facts["reserve_fraction"], table.pack["energy_wh"]
    cold = _Cold(sheet)
    per_km, per_km_budget = sheet.value("energy_per_distance"), sheet.budgets["energy_per_distance"]
    has_pack = ~np.isnan(usable)
    with np.errstate(invalid="ignore"):
        has_consumption = per_km > 0

    def reserve_words(row: int) -> str:
        return f"the reserve, {100 * reserve[row]:.0f} % of the pack"

    def range_of(energy_wh: Any, where: Any, above_reserve: Budget) -> Measured:
        def answer(u_energy: Any, u_per_km: Any, together: Any) -> Any:
            return sheet.solve(
                endurance.remaining_range, where, energy_wh, usable, reserve, per_km, u_energy, u_per_km, together
            )

        return _by_source(sheet, answer, above_reserve, per_km_budget)

    # The pack's doubt moves the reserve with it, because the reserve is a share of the pack.
    reserve_budget = Budget({PACK: reserve * usable * PACK_U_FRACTION})
    full = range_of(
        usable, has_pack & has_consumption, Budget({PACK: usable * PACK_U_FRACTION}).plus(reserve_budget.times(-1.0))
    )
    sheet.add(
        "range",
        "endurance.remaining_range",
        full,
        {NEEDS_PACK: has_pack, "energy per km": has_consumption},
        lambda row: (
            f"Nominal pack energy, of a warm pack, less {reserve_words(row)}, at this session's energy per km"
            f"{cold.not_taken_off(row)}."
        ),
    )
    left = _energy_left(sheet, cold)
    above_reserve = sheet.budgets["energy_left"].plus(reserve_budget.times(-1.0))
    has_left = ~np.isnan(left)
    where = has_left & has_consumption
    needs = {"energy left": has_left, "energy per km": has_consumption}
    sheet.add(
        "remaining_range",
        "endurance.remaining_range",
        range_of(left, where, above_reserve),
        needs,
        lambda row: f"Energy left less {reserve_words(row)}.",
    )
    nowhere, ones = np.zeros(table.count), np.ones(table.count)

    def turn_back(u_energy: Any, u_per_km: Any, together: Any) -> Any:
        # The same consumption both ways, and so wrong the same way: nothing in a session says what the
        # way home will cost.
        both_ways = (per_km, per_km, u_energy, u_per_km, u_per_km, nowhere, ones, together)
        return sheet.solve(endurance.turn_back_distance, where, left, usable, reserve, *both_ways)

    turn = _by_source(sheet, turn_back, above_reserve, per_km_budget)
    sheet.add(
        "turn_back_distance",
        "endurance.turn_back_distance",
        turn,
        needs,
        lambda row: f"Half of what is left less {reserve_words(row)}; into the wind it is shorter.",
    )
    power = sheet.value("mean_power")
    with np.errstate(invalid="ignore"):
        has_power = power > 0
    runtime = sheet.solve(endurance.runtime_s, has_power & has_left, left, usable, reserve, power)
    if (has_power & has_left).any():
        # Nothing left is nothing, whatever the power was; how near the reserve is still is not known.
        shares = above_reserve.times(3600.0 / power).plus(sheet.budgets["mean_power"].times(-runtime / power))
        runtime = Measured(runtime, shares)
    sheet.add(
        "runtime_left",
        "endurance.runtime_s",
        runtime,
        {"energy left": has_left, "mean power": has_power},
        lambda row: f"Energy left less {reserve_words(row)}, at the mean power.",
    )


def _by_source(sheet: Sheet, answer: Callable[[Any, Any, Any], Any], above_reserve: Budget, per_km: Budget) -> Measured:
    """A kernel's answer with its budget.

    Each source of error is propagated alone, because it affects energy and consumption together.
    """
    nothing = np.zeros(sheet.table.count)
    alone = answer(nothing, nothing, nothing)
    if not isinstance(alone, Measured):
        return Measured(alone, None)
    shares = {}
    for source in dict.fromkeys([*above_reserve.shares, *per_km.shares]):
        of_energy, of_per_km = (nothing + budget.shares.get(source, 0.0) for budget in (above_reserve, per_km))
        if np.nan_to_num(of_energy).any() or np.nan_to_num(of_per_km).any():
            alone = answer(np.abs(of_energy), np.abs(of_per_km), np.sign(of_energy * of_per_km))
            shares[source] = alone.u
    return Measured(alone.value, Budget(shares) if shares else nothing)


class _Cold:
    """What the cold holds back of each session's pack, as a share of its capacity: 0 where no temperature is known.

    The temperature is the battery's lowest, or else the air's.
    """

    def __init__(self, sheet: Sheet) -> None:
        table = sheet.table
        read = table.readings["battery_temperature_c"]
        battery = np.fmin(
            table.lowest_per_session(table.reading_session, read, ~np.isnan(read)),
            table.log["lowest_battery_temperature_c"],
        )
        self.of_battery = ~np.isnan(battery)
        self.temperature_c = np.where(self.of_battery, battery, table.facts["air_temperature_c"])
        per_c, capacity = table.facts["cold_loss_per_c_fraction"], table.pack["capacity_ah"]
        where = ~np.isnan(self.temperature_c) & ~np.isnan(per_c) & ~np.isnan(capacity)
        held = sheet.solve(pack.cold_capacity_ah, where, capacity, np.clip(self.temperature_c, -60.0, 80.0), per_c)
        self.share = np.where(where, 1.0 - held / capacity, 0.0)

    def words(self, row: int) -> str:
        """How what is left was reckoned, at the end of its method."""
        if np.isnan(self.temperature_c[row]):
            return "; no temperature was recorded, so the cold is not counted"
        if not self.share[row]:
            return ""
        return f", less {self._held_back(row)}"

    def not_taken_off(self, row: int) -> str:
        return f"; {self._held_back(row)} is not taken off" if self.share[row] else ""

    def _held_back(self, row: int) -> str:
        whose = "in the battery" if self.of_battery[row] else "in the air"
        degrees = written(float(self.temperature_c[row]), "temperature")
        return f"the {100 * self.share[row]:.0f} % of the pack that {degrees} {whose} holds back, as assumed"


def _energy_left(sheet: Sheet, cold: _Cold) -> Any:
    table, facts = sheet.table, sheet.table.facts
    usable, used = table.pack["energy_wh"], sheet.value("energy_used")
    start, end = facts["rest_state_start"], facts["rest_state_end"]
    by_rest, has_start = ~np.isnan(end), ~np.isnan(start)
    u_rest = facts["u_rest_charge_fraction"] * usable
    # The charge that the cold holds back is still in the pack, but cannot be ridden with.
    locked = usable * cold.share
    began = usable * np.where(has_start, start, 1.0) - locked
    with np.errstate(invalid="ignore"):
        by_use = (began > 0) & ~np.isnan(used)
    less_used = sheet.solve(endurance.energy_left_wh, by_use, began, np.maximum(used, 0.0))
    less_used = np.where(began <= 0, 0.0, less_used)
    left = np.where(by_rest, np.maximum(0.0, end * usable - locked), less_used)
    of_cold = Budget({COLD: -locked * COLD_U_SHARE})
    # State of charge and capacity are separate uncertainties; a pack assumed full has both.
    of_use = Budget(
        {
            START: u_rest,
            VOLTMETER: usable * np.where(has_start, facts["rest_state_start_by_voltmeter"], 0.0),
            PACK: began * PACK_U_FRACTION,
        }
    ).plus(sheet.budgets["energy_used"].times(-1.0))
    of_rest = Budget(
        {
            END: u_rest,
            VOLTMETER: usable * facts["rest_state_end_by_voltmeter"],
            PACK: (end * usable - locked) * PACK_U_FRACTION,
        }
    )

    def how(row: int) -> str:
        if by_rest[row]:
            return f"Rest voltage after, through the assumed curve{cold.words(row)}."
        at_start = "from its rest voltage before" if has_start[row] else "assumed full at the start"
        return f"Pack {at_start}, less the energy used{cold.words(row)}."

    return sheet.add(
        "energy_left",
        "endurance.energy_left_wh",
        Measured(left, of_rest.only(by_rest).plus(of_use.only(~by_rest)).plus(of_cold)),
        {NEEDS_PACK: ~np.isnan(usable), "energy used, or rest voltage after": by_rest | ~np.isnan(used)},
        how,
        evidence=lambda row: "rest-voltage curve" if by_rest[row] else "energy used",
        improve=lambda row: "" if cold.of_battery[row] else "A temperature read at the battery tells more.",
    )
