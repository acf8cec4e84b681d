"""Charging: the time a charger takes, and the precharge of a controller's capacitors.

Lithium packs burn when they are charged too far or too cold: charger, pack and a qualified person decide, not a plan.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, between, kernel, plain, positive, strictly_between


class Precharge(NamedTuple):
    """What a precharge resistor must do: how long it takes, and the heat and current it stands."""

    time_s: Any
    energy_j: Any
    first_a: Any


@kernel(
    title="Precharge of a controller",
    formula="t = −R C ln(1 − p),  E = C U² / 2,  I₀ = U / R",
    source="Charging of a capacitor through a resistor; IEC 80000-6:2022.",
    voltage_v=positive(),
    resistance_ohm=positive(),
    capacitance_uf=positive(),
    share=strictly_between(0.0, 1.0),
)
def precharge(voltage_v: Number, resistance_ohm: Number, capacitance_uf: Number, share: Number = 0.95) -> Precharge:
    """Charging the controller's capacitors before the main switch closes.

    Parameters
    ----------
    voltage_v: of the full pack, float or array [V], above 0.
    resistance_ohm: of the precharge resistor [Ω], above 0.
    capacitance_uf: of the controller's input [µF], above 0.
    share: of the pack's voltage at which the switch may close (0.95: common practice, no source).

    Returns
    -------
    Precharge: time [s], heat in the resistor [J], first current [A].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> filled = precharge(60.0, 100.0, 10000.0)
    >>> round(filled.time_s, 3), filled.energy_j, filled.first_a
    (2.996, 18.0, 0.6)
    """
    volts, ohms, farads = np.asarray(voltage_v), np.asarray(resistance_ohm), np.asarray(capacitance_uf) * 1e-6
    return Precharge(
        plain(-ohms * farads * np.log1p(-np.asarray(share))), plain(0.5 * farads * volts**2), plain(volts / ohms)
    )


class Charging(NamedTuple):
    """A charge at constant current, then at constant voltage."""

    constant_current_s: float
    constant_voltage_s: float
    charge_ah: float

    @property
    def total_s(self) -> float:
        return self.constant_current_s + self.constant_voltage_s


@kernel(
    title="Time of a charge",
    formula="constant current until U₀(q) + R I = U; then I falls by exp(−t/τ), τ = R / (dU₀/dq)",
    source="Linear open-circuit voltage behind a resistance; closed form of the charging circuit.",
    capacity_ah=positive(),
    empty_voltage_v=positive(),
    full_voltage_v=positive(),
    resistance_ohm=positive(),
    current_a=positive(),
    start_fraction=between(0.0, 1.0),
    stop_fraction=strictly_between(0.0, 1.0),
)
def charge_times(
    capacity_ah: float,
    empty_voltage_v: float,
    full_voltage_v: float,
    resistance_ohm: float,
    current_a: float,
    start_fraction: float = 0.0,
    stop_fraction: float = 0.1,
) -> Charging:
    """How long a charger takes from a state of charge, when it holds the full voltage at the end.

    Parameters
    ----------
    capacity_ah: capacity of the pack [Ah], above 0.
    empty_voltage_v, full_voltage_v: its rest voltage when empty and full; the charger holds the latter [V].
    resistance_ohm: of the pack [Ω], above 0.
    current_a: of the charger [A], above 0.
    start_fraction: state of charge at the start, 0 to 1.
    stop_fraction: the charger stops at this share of its current.

    Returns
    -------
    Charging: both phases [s] and the charge that went in [Ah].

    Raises
    ------
    ValueError: the full voltage is not above the empty one, or an argument is out of range.

    Examples
    --------
    >>> charge = charge_times(10.0, 3.0, 4.2, 0.05, 5.0)
    >>> round(charge.constant_current_s / 3600, 6), round(charge.total_s / 3600, 6), round(charge.charge_ah, 6)
    (1.583333, 2.542744, 9.791667)
    """
    if full_voltage_v <= empty_voltage_v:
        raise ValueError(
            f"full_voltage_v must be above empty_voltage_v ({empty_voltage_v:g} V), got {full_voltage_v:g}"
        )
    slope_v_per_ah = (full_voltage_v - empty_voltage_v) / capacity_ah
    time_constant_h = resistance_ohm / slope_v_per_ah
    start_v = empty_voltage_v + start_fraction * (full_voltage_v - empty_voltage_v)
    stop_a = stop_fraction * current_a
    first_ah = (full_voltage_v - resistance_ohm * current_a - start_v) / slope_v_per_ah
    # A pack that is nearly full takes less than the charger's current from the start.
    from_a = current_a if first_ah >= 0 else (full_voltage_v - start_v) / resistance_ohm
    first_ah = max(0.0, first_ah)
    second_h = time_constant_h * float(np.log(from_a / stop_a)) if from_a > stop_a else 0.0
    second_ah = time_constant_h * (from_a - stop_a) if from_a > stop_a else 0.0
    return Charging(3600.0 * first_ah / current_a, 3600.0 * second_h, first_ah + second_ah)
