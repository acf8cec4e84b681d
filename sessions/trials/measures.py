"""What revisions are compared by: each measure once, with its words and the smallest difference that matters."""

from __future__ import annotations

from dataclasses import dataclass

from buildlog.failures.models import Modification
from calc.trials.columns import Measure as ModelMeasure
from sessions.outings.models import Assumptions


@dataclass(frozen=True)
class Measure:
    """more, less: what a higher and a lower value are called. assumption: which one says what difference matters."""

    key: str
    label: str
    kind: str
    more: str
    less: str
    assumption: str

    def of(self, known: Assumptions) -> ModelMeasure:
        """With the smallest difference that matters for one machine."""
        return ModelMeasure(self.key, getattr(known, self.assumption))


_SPEED, _ENERGY = "speed_difference_fraction", "energy_difference_fraction"
MEAN_SPEED = Measure("mean_gate_speed", "Mean gate speed", "speed", "faster", "slower", _SPEED)
BEST_SPEED = Measure("best_gate_speed", "Best gate speed", "speed", "faster", "slower", _SPEED)
TWO_WAY = Measure("two_way_mean_speed", "Two-way mean speed", "speed", "faster", "slower", _SPEED)
ENERGY = Measure("energy_per_km", "Energy per km, as ridden", "consumption", "thirstier", "thriftier", _ENERGY)
ENERGY_AT_EQUAL_SPEED = Measure(
    "energy_per_km_at_equal_speed",
    "Energy per km, at equal mean speed",
    "consumption",
    "thirstier",
    "thriftier",
    _ENERGY,
)
RANGE = Measure("range", "Range of a full pack", "trip", "longer-ranged", "shorter-ranged", _ENERGY)
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
