"""The wiring between pack and motor: cables, currents and voltages. Fuses are in `calc.fuses`.

Plans only. High current and lithium cells burn and kill: a qualified person and the local electrical code decide how
a machine is wired and fused, and the makers' data come before any table here.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, Numbers, any_real, between, kernel, not_negative, plain, positive

SECTIONS_MM2 = (
    0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0, 25.0, 35.0, 50.0, 70.0, 95.0, 120.0, 150.0, 185.0, 240.0, 300.0,
)  # fmt: skip
CLASS_5_OHM_PER_KM = (
    39.0, 26.0, 19.5, 13.3, 7.98, 4.95, 3.30, 1.91, 1.21, 0.780, 0.554, 0.386, 0.272, 0.206, 0.161, 0.129, 0.106,
    0.0801, 0.0641,
)  # fmt: skip
"""IEC 60228:2004, Table 3: highest resistance at 20 °C of flexible conductors (class 5) of plain copper."""

AMPACITY_MM2 = (1.5, 2.5, 4.0, 6.0, 10.0, 16.0, 25.0, 35.0, 50.0, 70.0, 95.0, 120.0)
AMPACITY_A = (17.0, 24.0, 32.0, 41.0, 57.0, 76.0, 96.0, 119.0, 144.0, 184.0, 223.0, 259.0)
"""IEC 60364-5-52, PVC at 70 °C, three loaded copper conductors, method C, air at 30 °C, whole amperes. Sections above
35 mm²: from memory."""

K_PVC, K_XLPE = 115.0, 143.0
"""k of copper insulated with PVC or XLPE, in A·√s/mm²: BS 7671, 543.1.3."""


@kernel(
    title="Resistance of a flexible copper conductor",
    formula="R = R₂₀ · l · (234.5 + t) / 254.5",
    source="IEC 60228:2004, Table 3 (class 5, plain copper, highest at 20 °C) and its temperature correction. Between "
    "two sections R · S is interpolated.",
    returns="ohm",
    section_mm2=between(0.5, 300.0),
    length_m=not_negative(),
    temperature_c=between(-60.0, 200.0),
)
def conductor_resistance_ohm(section_mm2: Number, length_m: Number, temperature_c: Number = 20.0) -> Any:
    """Highest resistance that a flexible plain copper conductor may have.

    Parameters
    ----------
    section_mm2: cross-section, float or array [mm²], 0.5 to 300.
    length_m: length of the conductor, there and back [m], 0 or more.
    temperature_c: of the conductor [°C], −60 to 200; a loaded cable is far warmer than the air.

    Returns
    -------
    Resistance [Ω].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> round(conductor_resistance_ohm(10.0, 6.0, 20.0), 5), round(conductor_resistance_ohm(10.0, 6.0, 70.0), 5)
    (0.01146, 0.01371)
    """
    section = np.asarray(section_mm2, dtype=np.float64)
    times_section = np.multiply(SECTIONS_MM2, CLASS_5_OHM_PER_KM)
    ohm_per_km = np.interp(np.log(section), np.log(SECTIONS_MM2), times_section) / section
    warmer = (234.5 + np.asarray(temperature_c)) / 254.5
    return plain(ohm_per_km / 1000.0 * np.asarray(length_m) * warmer)


class VoltageDrop(NamedTuple):
    """What a cable takes of voltage and turns into heat."""

    drop_v: Any
    lost_w: Any


@kernel(
    title="Voltage drop and power lost",
    formula="ΔU = R I,  P = R I²",
    source="Ohm's and Joule's laws; IEC 80000-6:2022.",
    current_a=not_negative(),
    resistance_ohm=not_negative(),
)
def voltage_drop(current_a: Number, resistance_ohm: Number) -> VoltageDrop:
    """Voltage and power that stay in a resistance, such as a cable with its connectors.

    Parameters
    ----------
    current_a: current, float or array [A], 0 or more.
    resistance_ohm: of the whole loop, there and back [Ω].

    Returns
    -------
    VoltageDrop [V], [W].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> voltage_drop(60.0, 0.01)
    VoltageDrop(drop_v=0.6, lost_w=36.0)
    """
    drop = np.asarray(resistance_ohm) * np.asarray(current_a)
    return VoltageDrop(plain(drop), plain(drop * np.asarray(current_a)))


@kernel(
    title="Voltage drop of a copper cable",
    formula="ΔU = I · R(S, l, t)",
    source="IEC 60228:2004, Table 3, class 5; Ohm's law.",
    returns="volt",
    current_a=not_negative(),
    section_mm2=between(0.5, 300.0),
    length_m=not_negative(),
    temperature_c=between(-60.0, 200.0),
)
def voltage_drop_v(current_a: Number, section_mm2: Number, length_m: Number, temperature_c: Number = 20.0) -> Any:
    """Voltage that a flexible copper cable takes at a current.

    Parameters
    ----------
    current_a: current, float or array [A], 0 or more.
    section_mm2, length_m, temperature_c: as in `conductor_resistance_ohm`; the length there and back.

    Returns
    -------
    Voltage drop [V].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> round(voltage_drop_v(60.0, 10.0, 6.0, 20.0), 4)
    0.6876
    """
    return voltage_drop(current_a, conductor_resistance_ohm(section_mm2, length_m, temperature_c)).drop_v


@kernel(
    title="Current that a cable carries",
    formula="I = I_table · √((t_ins − t_air) / 40 K)",
    source="IEC 60364-5-52, PVC 70 °C, three loaded copper conductors, method C at 30 °C; correction for air and "
    "insulation by equal heating. Above 35 mm²: from memory.",
    returns="ampere",
    section_mm2=between(1.5, 120.0),
    ambient_c=between(10.0, 65.0),
    insulation_c=between(70.0, 200.0),
)
def ampacity_a(section_mm2: Number, ambient_c: Number = 30.0, insulation_c: Number = 70.0) -> Any:
    """Continuous current of a copper cable, on the careful side of the ways to lay it.

    A cable in a closed box or bundle carries less, a single one in a cold wind more; its maker's rating comes first.

    Parameters
    ----------
    section_mm2: cross-section, float or array [mm²], 1.5 to 120; between two of the table the lower counts.
    ambient_c: air around the cable [°C], 10 to 65; frost is no reserve, because the cable lies beside warm parts.
    insulation_c: highest temperature of the insulation [°C]: PVC 70, XLPE and EPR 90, silicone 180.

    Returns
    -------
    Current [A].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> ampacity_a(10.0), round(ampacity_a(10.0, ambient_c=40.0))
    (57.0, 49)
    """
    section = np.asarray(section_mm2, dtype=np.float64)
    row = np.searchsorted(np.asarray(AMPACITY_MM2), section * (1 + 1e-9), side="right") - 1
    heating = (np.asarray(insulation_c) - np.asarray(ambient_c)) / 40.0
    return plain(np.asarray(AMPACITY_A)[row] * np.sqrt(heating))


@kernel(
    title="Time until a conductor is too hot in a short circuit",
    formula="t = (k S / I)²",
    source="IEC 60364-4-43:2008, 434.5.2; BS 7671, 543.1.3: k = 115 for copper in PVC, 143 in XLPE.",
    returns="second",
    section_mm2=positive(),
    current_a=positive(),
    k=positive(),
)
def adiabatic_limit_s(section_mm2: Number, current_a: Number, k: Number = K_PVC) -> Any:
    """How long a conductor stands a short circuit; the fuse must be faster. For times below 5 s.

    Parameters
    ----------
    section_mm2: cross-section, float or array [mm²], above 0.
    current_a: short-circuit current [A], above 0.
    k: of conductor and insulation, in A·√s/mm²: copper in PVC 115, in XLPE 143.

    Returns
    -------
    Time [s].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> round(adiabatic_limit_s(10.0, 2500.0), 4)
    0.2116
    """
    return plain((np.asarray(k) * np.asarray(section_mm2) / np.asarray(current_a)) ** 2)


@kernel(
    title="Currents of parallel strings",
    formula="I_j = (U_j − U) / R_j,  Σ I_j = I",
    source="Kirchhoff's laws; IEC 80000-6:2022.",
    returns="ampere",
    current_a=any_real(),
    open_circuit_voltage_v=positive(),
    resistance_ohm=positive(),
)
def branch_currents_a(current_a: float, open_circuit_voltage_v: Numbers, resistance_ohm: Numbers) -> Any:
    """How parallel strings share a current; strings of unequal voltage also drive current into each other.

    Parameters
    ----------
    current_a: current of the whole pack [A], above 0 when discharging.
    open_circuit_voltage_v, resistance_ohm: of each string, 1-D arrays [V], [Ω], above 0.

    Returns
    -------
    Current of each string [A]; below 0 it is charged by the others.

    Raises
    ------
    ValueError: lengths differ, or an argument is out of range.

    Examples
    --------
    >>> branch_currents_a(90.0, [50.0, 50.0], [0.05, 0.1]).round(6).tolist()
    [60.0, 30.0]
    """
    volts = np.atleast_1d(np.asarray(open_circuit_voltage_v, dtype=np.float64))
    ohms = np.atleast_1d(np.asarray(resistance_ohm, dtype=np.float64))
    if volts.shape != ohms.shape:
        raise ValueError(f"resistance_ohm must be as long as open_circuit_voltage_v ({volts.size}), got {ohms.size}")
    common_v = ((volts / ohms).sum() - current_a) / (1.0 / ohms).sum()
    return (volts - common_v) / ohms


@kernel(
    title="Voltage of a pack under current",
    formula="U = U₀ − R I",
    source="IEC 61960-3:2017, internal resistance; discharge counts above 0, regeneration and charging below.",
    returns="volt",
    open_circuit_voltage_v=positive(),
    resistance_ohm=not_negative(),
    current_a=any_real(),
)
def terminal_voltage_v(open_circuit_voltage_v: Number, resistance_ohm: Number, current_a: Number) -> Any:
    """Sag at a peak of current, or rise while charge comes back.

    Parameters
    ----------
    open_circuit_voltage_v: voltage at no current, float or array [V], above 0.
    resistance_ohm: of pack and cables [Ω]; cold cells have several times that of their data sheet.
    current_a: discharge above 0, regeneration or charging below 0 [A].

    Returns
    -------
    Voltage [V].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> terminal_voltage_v(58.0, 0.05, 100.0), terminal_voltage_v(58.0, 0.05, -20.0)
    (53.0, 59.0)
    """
    return plain(np.asarray(open_circuit_voltage_v) - np.asarray(resistance_ohm) * np.asarray(current_a))
