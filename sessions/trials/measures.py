"""What revisions are compared by: each measure once, with its words and the smallest difference that matters."""

from __future__ import annotations

from dataclasses import dataclass

from buildlog.failures.models import Modification
from calc.trials.columns import SMALLEST_ENERGY_DIFFERENCE, SMALLEST_SPEED_DIFFERENCE
from calc.trials.columns import Measure as ModelMeasure


@dataclass(frozen=True)
class Measure:
    """more, less: what a higher and a lower value are called."""

    key: str
    label: str
    kind: str
    more: str
    less: str
    smallest_difference: float

    @property
    def model(self) -> ModelMeasure:
        return ModelMeasure(self.key, self.smallest_difference)


MEAN_SPEED = Measure("mean_gate_speed", "Mean gate speed", "speed", "faster", "slower", SMALLEST_SPEED_DIFFERENCE)
BEST_SPEED = Measure("best_gate_speed", "Best gate speed", "speed", "faster", "slower", SMALLEST_SPEED_DIFFERENCE)
TWO_WAY = Measure("two_way_mean_speed", "Two-way mean speed", "speed", "faster", "slower", SMALLEST_SPEED_DIFFERENCE)
ENERGY = Measure(
    "energy_per_km", "Energy per km, as ridden", "consumption", "thirstier", "thriftier", SMALLEST_ENERGY_DIFFERENCE
)
ENERGY_AT_EQUAL_SPEED = Measure(
    "energy_per_km_at_equal_speed",
    "Energy per km, at equal mean speed",
    "consumption",
    "thirstier",
    "thriftier",
    SMALLEST_ENERGY_DIFFERENCE,
)
RANGE = Measure("range", "Range of a full pack", "trip", "longer-ranged", "shorter-ranged", SMALLEST_ENERGY_DIFFERENCE)
MEASURES = {measure.key: measure for measure in (MEAN_SPEED, BEST_SPEED, TWO_WAY, ENERGY, ENERGY_AT_EQUAL_SPEED, RANGE)}
FIRST = (MEAN_SPEED, BEST_SPEED, ENERGY)
"""What the newest revision is asked against its parent. Every further question makes all answers harder to reach."""

EXPECTED = {
    Modification.Measure.TOP_SPEED: BEST_SPEED,
    Modification.Measure.CONSUMPTION: ENERGY,
    Modification.Measure.RANGE: RANGE,
}
"""What the expectation of a modification is judged by. Stability is a matter of the build; failures have their own
proof."""
