"""The electrical chain as a one-line diagram, with symbols after IEC 60617: battery, fuse, switch, resistor, motor."""

from __future__ import annotations

from dataclasses import dataclass

from buildlog.machines.models import Fitting
from buildlog.machines.wiring import Wiring
from calc.quantities import written

STEP, LEFT = 62.0, 40.0
_ORDER = ("battery_module", "fuse", "main_switch", "precharge", "connector", "cable", "speed_controller", "motor")


@dataclass(frozen=True)
class Symbol:
    """One part of the line, from the top down."""

    kind: str
    y: float
    label: str
    value: str


@dataclass(frozen=True)
class OneLine:
    symbols: list[Symbol]
    height: float
    begins_at: float
    """Where the line of riding begins: above it is the charger's."""

    @property
    def sentence(self) -> str:
        return "One-line diagram, from the pack to the motor, its charger first: " + ", ".join(
            f"{symbol.label} {symbol.value}".strip() for symbol in self.symbols
        )


def one_line(chain: Wiring) -> OneLine | None:
    """The chain in the order of the current; None while no module, controller or motor is fitted."""
    rows = [
        fitting
        for category in _ORDER
        for fitting in chain.machine.fittings
        if fitting.part.category == category and fitting.branch != Fitting.Branch.CHARGING
    ]
    if not rows:
        return None
    # The charger feeds the pack from above, and only while it charges: its stretch of the line is dashed.
    chargers = [fitting for fitting in chain.machine.fittings if fitting.part.category == "charger"]
    rows = chargers + rows
    symbols = [
        Symbol(
            fitting.part.category,
            LEFT + STEP * place,
            fitting.part.name,
            _rating(fitting),
        )
        for place, fitting in enumerate(rows)
    ]
    return OneLine(symbols, LEFT + STEP * len(rows) - STEP / 2, LEFT + STEP * (len(chargers) - 0.5))


_RATINGS = {
    "fuse": (("rated_current_a", "current"),),
    "main_switch": (("continuous_current_a", "current"),),
    "precharge": (("resistance_ohm", "resistor"),),
    "connector": (("continuous_current_a", "current"),),
    "cable": (("section_mm2", "section"), ("length_m", "length")),
    "speed_controller": (("highest_voltage_v", "voltage"), ("continuous_current_a", "current")),
    "motor": (("continuous_power_w", "power"),),
    "charger": (("output_voltage_v", "voltage"), ("charging_current_a", "current")),
    "battery_module": (("full_voltage_v", "voltage"), ("capacity_ah", "charge")),
}


def _rating(fitting: Fitting) -> str:
    specification = fitting.part.specification
    texts = [
        written(specification[name], kind) for name, kind in _RATINGS[fitting.part.category] if name in specification
    ]
    if fitting.part.category == "battery_module":
        texts.append(f"{fitting.series or 1} in series × {fitting.parallel or fitting.quantity}")
    elif fitting.quantity > 1:
        texts.insert(0, f"{fitting.quantity} ×")
    return ", ".join(texts)
