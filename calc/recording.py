"""What a logged series of volts and amperes adds up to."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, any_real, kernel, not_negative, positive
from calc.energy import IEC, log_totals
from calc.least_squares import fit_columns
from calc.pack import Resistance


class ElectricalSummary(NamedTuple):
    """Totals and extremes of a log, with discharge and regeneration separate."""

    duration_s: float
    gaps_s: float
    discharged_ah: float
    regenerated_ah: float
    discharged_wh: float
    returned_wh: float
    peak_power_w: float
    mean_power_w: float
    highest_current_a: float
    lowest_voltage_v: float
    highest_voltage_v: float


@kernel(
    title="What a log adds up to",
    formula="E = ∫ U I dt, discharge and return apart;  P̄ = E / t;  max U I, max I, min U under load",
    source=f"{IEC}. Trapezoidal rule; intervals longer than the gap count nothing.",
    largest_gap_s=positive(),
)
def electrical_summary(
    time_s: Any, voltage_v: Any, current_a: Any, largest_gap_s: float | None = None
) -> ElectricalSummary:
    """Charge, energy, regeneration, power and extremes of a log.

    Parameters
    ----------
    time_s, voltage_v, current_a: as in `energy_wh`.
    largest_gap_s: intervals longer than this are gaps [s], above 0; none if left out.

    Returns
    -------
    ElectricalSummary. The mean power is net energy over the time that was logged. The lowest voltage is
    that under load, or the lowest at all where no current flowed.

    Raises
    ------
    ValueError: as in `energy_wh`.

    Examples
    --------
    >>> summary = electrical_summary([0.0, 1800.0, 3600.0], [50.0, 48.0, 50.0], [10.0, 10.0, 10.0])
    >>> summary.discharged_ah, summary.peak_power_w, summary.lowest_voltage_v
    (10.0, 500.0, 48.0)
    """
    totals = log_totals(time_s, voltage_v, current_a, largest_gap_s)
    times, volts, amperes = (np.asarray(values, dtype=np.float64) for values in (time_s, voltage_v, current_a))
    duration_s = float(times[-1] - times[0])
    logged_h = (duration_s - totals.gaps_s) / 3600.0
    net_wh = totals.discharged_wh - totals.returned_wh
    loaded = volts[amperes > 0]
    return ElectricalSummary(
        duration_s, totals.gaps_s, totals.discharged_ah, totals.regenerated_ah,
        totals.discharged_wh, totals.returned_wh,
        float(np.max(volts * amperes)), net_wh / logged_h if logged_h > 0 else 0.0, float(amperes.max()),
        float(loaded.min()) if loaded.size else float(volts.min()), float(volts.max()),
    )  # fmt: skip


@kernel(
    title="Largest gap of a log",
    formula="max(5 s, 20 · median step)",
    source="Common practice, no source.",
    returns="second",
    time_s=any_real(),
)
def usual_gap_s(time_s: Number) -> float:
    """The interval above which nothing was logged, rather than logged slowly.

    Parameters
    ----------
    time_s: growing sample times, 1-D array of at least 2 [s].

    Returns
    -------
    Interval [s].

    Raises
    ------
    ValueError: fewer than 2 samples, or a time is not finite.

    Examples
    --------
    >>> usual_gap_s([0.0, 1.0, 2.0, 3.0])
    20.0
    """
    times = np.atleast_1d(time_s)
    if times.size < 2:
        raise ValueError(f"time_s needs at least 2 samples, got {times.size}")
    return max(5.0, 20.0 * float(np.median(np.diff(times))))


@kernel(
    title="Pack resistance from a log",
    formula="U = p₀ + p₁ Q + p₂ Q² + p₃ Q³ − R I  (least squares)",
    source="Ordinary least squares; NIST/SEMATECH e-Handbook of Statistical Methods, 4.1.4.1. The open-circuit voltage "
    "as a cubic of the charge taken out: common practice, no source.",
    voltage_v=not_negative(),
    current_a=any_real(),
    charge_out_ah=any_real(),
)
def resistance_under_discharge(voltage_v: Number, current_a: Number, charge_out_ah: Number) -> Resistance:
    """Resistance of a pack under discharge; the fall in open-circuit voltage does not count as resistance.

    Parameters
    ----------
    voltage_v, current_a: samples, 1-D arrays of at least 10, with different currents.
    charge_out_ah: charge taken out until each sample [Ah], same length.

    Returns
    -------
    Resistance: slope [Ω] with its standard error for independent errors, and the open-circuit voltage at the
    first sample's charge [V].

    Raises
    ------
    ValueError: fewer than 10 samples, lengths differ, or the current hardly varies beside the charge.

    Examples
    --------
    >>> amperes = np.tile([0.0, 20.0, 40.0, 10.0], 5)
    >>> charge = np.linspace(0.0, 1.0, 20)
    >>> fit = resistance_under_discharge(52.0 - 2.0 * charge - 0.05 * amperes, amperes, charge)
    >>> round(fit.resistance_ohm, 6), round(fit.open_circuit_voltage_v, 3)
    (0.05, 52.0)
    """
    volts, amperes, charge = (np.atleast_1d(values) for values in (voltage_v, current_a, charge_out_ah))
    if not volts.shape == amperes.shape == charge.shape or volts.size < 10:
        raise ValueError(
            "voltage_v, current_a and charge_out_ah need at least 10 samples each, as many of one as of the others; "
            f"got {volts.size}, {amperes.size} and {charge.size}"
        )
    out = charge - charge[0]
    out = out / (np.max(np.abs(out)) or 1.0)
    for degree in (3, 2, 1, 0):
        design = np.column_stack([np.ones_like(volts), -amperes, *(out**power for power in range(1, degree + 1))])
        try:
            fit = fit_columns(design, volts, "current_a")
        except ValueError:
            # Little charge was used: the open-circuit voltage then needs fewer terms.
            continue
        return Resistance(float(fit.coefficients[1]), float(fit.standard_errors[1]), float(fit.coefficients[0]))
    raise ValueError(f"current_a must hold different currents, got only {amperes[0]:g} A")
