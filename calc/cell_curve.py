"""Rest-voltage curves: what a voltage after rest says about the state of charge."""

from __future__ import annotations

from typing import NamedTuple


class StateOfChargeCurve(NamedTuple):
    """Rest voltage at growing states of charge, for one cell or a whole pack."""

    state_of_charge: tuple[float, ...]
    voltage_v: tuple[float, ...]


ASSUMED_CELL_CURVE = StateOfChargeCurve(
    state_of_charge=(0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0),
    voltage_v=(
        2.5, 3.295907, 3.485189, 3.581446, 3.667007, 3.750874, 3.840577, 3.947906, 4.04208, 4.096656, 4.2,
    ),
)  # fmt: skip
"""An assumption, for a cell whose own curve is not known: one nickel-rich lithium-ion cell, Chen et
al., J. Electrochem. Soc. 167 (2020) 080534, parameter set evaluated with pybamm 26.10.1.1 between
2.5 V and 4.2 V. Other chemistries have other curves: an iron phosphate cell read off it is wrong."""

CURVE_TOLERANCE = 0.01
"""How far past an end of a curve a voltage may lie: a voltmeter's error (common practice, no source).
Farther out it is the wrong curve or not at rest, and calling that full or empty would be a lie."""
