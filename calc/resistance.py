"""What the parts of a road load say of runners and air, and how they carry over to another day."""

from __future__ import annotations

from typing import Any

import numpy as np

from calc.declaration import Number, kernel, not_negative, plain, positive

SAE = "SAE J1263 (road load measurement by coast-down)"


@kernel(
    title="Rolling coefficient",
    formula="c_r = A / (m g_n)",
    source=f"{SAE}; g_n from ISO 80000-3:2019.",
    a_n=not_negative(),
    mass_kg=positive(),
)
def rolling_coefficient(a_n: Number, mass_kg: Number) -> Any:
    """The constant part as a share of the weight.

    Parameters
    ----------
    a_n: constant part of the road load, float or array [N], 0 or more.
    mass_kg: mass with rider [kg], above 0.

    Returns
    -------
    Coefficient, without unit.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> round(rolling_coefficient(a_n=98.0665, mass_kg=200.0), 6)
    0.05
    """
    return plain(np.asarray(a_n) / (np.asarray(mass_kg) * 9.80665))


@kernel(
    title="Drag area",
    formula="c_d A = 2 C / ρ",
    source="Definition of the drag coefficient; SAE J1594.",
    returns="meter**2",
    c_n_per_mps2=not_negative(),
    density_kg_per_m3=positive(),
)
def drag_area_m2(c_n_per_mps2: Number, density_kg_per_m3: Number) -> Any:
    """Drag coefficient times frontal area, from the square part of the road load.

    Parameters
    ----------
    c_n_per_mps2: square part, float or array [N/(m/s)²], 0 or more.
    density_kg_per_m3: air density on the day [kg/m³], above 0.

    Returns
    -------
    Drag area [m²].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> drag_area_m2(c_n_per_mps2=0.35, density_kg_per_m3=1.4)
    0.5
    """
    return plain(2.0 * np.asarray(c_n_per_mps2) / np.asarray(density_kg_per_m3))


@kernel(
    title="Drag at another air density",
    formula="C₂ = C₁ · ρ₂ / ρ₁",
    source="Drag is proportional to air density; the correction of SAE J1263.",
    returns="newton/(meter/second)**2",
    drag_n_per_mps2=not_negative(),
    measured_density_kg_per_m3=positive(),
    wanted_density_kg_per_m3=positive(),
)
def drag_at_density(
    drag_n_per_mps2: Number, measured_density_kg_per_m3: Number, wanted_density_kg_per_m3: Number
) -> Any:
    """Carry the drag part of a road load from one day's air to another's.

    Parameters
    ----------
    drag_n_per_mps2: drag part C, float or array [N/(m/s)²], 0 or more.
    measured_density_kg_per_m3, wanted_density_kg_per_m3: air densities [kg/m³], above 0.

    Returns
    -------
    Drag part [N/(m/s)²].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> drag_at_density(0.3, 1.2, 1.4)
    0.35
    """
    return plain(np.asarray(drag_n_per_mps2) * wanted_density_kg_per_m3 / np.asarray(measured_density_kg_per_m3))
