"""Whether failures come less often as a machine gets older."""

from __future__ import annotations

from dataclasses import dataclass

from django.utils import timezone

from buildlog.failures.exposure import Exposure
from buildlog.failures.models import Failure
from calc import reliability
from calc.reliability import Interval, PowerLaw, Trend
from calc.steady_rate import shape_at_any_look

CONFIDENCE = 0.9
SURE_AT_ANY_LOOK = 0.95
LEAST_FOR_TREND = 3


@dataclass
class Growth:
    """Is it getting more reliable? The fit, or the reason why there is none.

    shape: its limits hold at all looks together, and alone decide what is said. The fit and Laplace's test are of
    today's look alone.
    """

    places_km: list[float]
    total_km: float
    fit: PowerLaw | None = None
    trend: Trend | None = None
    shape: Interval | None = None
    sentence: str = ""

    @property
    def in_short(self) -> str:
        """The sentence up to its figures, or its first."""
        return self.sentence.partition(". ")[0].partition(" (")[0].rstrip(".")


def growth_of(failures: list[Failure], exposure: Exposure) -> Growth:
    """The trend over the distance ridden, where it is known at which distance each failure came.

    Several failures of one cause in one outing count once.
    """
    events = _events(failures)
    places_m = [exposure.place_m(failure) for failure in events]
    # A power law is not defined for failures before the first metre.
    places_km = sorted(place / 1000.0 for place in places_m if place)
    total_km = max([exposure.placed_m / 1000.0, *places_km])
    growth = Growth(places_km, total_km)
    unplaced = len(places_m) - len(places_km)
    missing = exposure.total.without_distance
    if exposure.placed_m <= 0:
        growth.sentence = "No distance is recorded, so nothing can be said about a trend."
    elif len(places_km) < LEAST_FOR_TREND or places_km[0] >= total_km:
        growth.sentence = (
            f"Cannot tell yet: a trend needs at least {LEAST_FOR_TREND} failures at known distances; "
            f"{len(places_km)} {'is' if len(places_km) == 1 else 'are'} recorded."
        )
    elif missing:
        growth.sentence = (
            f"Cannot tell: no distance for {missing} of {len(exposure.rides)} rides, so how far it was ridden between "
            "failures is not known. Write those distances down; an estimate will do."
        )
    else:
        growth.fit = reliability.power_law_fit(places_km, end=total_km, confidence=CONFIDENCE)
        growth.trend = reliability.laplace_trend(places_km, end=total_km)
        growth.shape = shape_at_any_look(places_km, end=total_km, confidence=SURE_AT_ANY_LOOK)
        growth.sentence = _growth_sentence(growth.fit, growth.shape, len(places_km))
    if unplaced:
        growth.sentence += f" Left out: {unplaced} that came before the first known distance."
    if len(events) < len(failures):
        growth.sentence += f" {len(failures) - len(events)} of one cause in one outing are counted once."
    return growth


def _events(failures: list[Failure]) -> list[Failure]:
    """The first of each cluster: several failures of one cause in one outing."""
    firsts: dict[object, Failure] = {}
    for failure in failures:
        outing = failure.session_id or timezone.localdate(failure.happened_at)
        firsts.setdefault(failure.pk if failure.cause_id is None else (failure.cause_id, outing), failure)
    return list(firsts.values())


def _growth_sentence(fit: PowerLaw, shape: Interval, count: int) -> str:
    limits = f"shape {shape.estimate:.2f}, between {shape.lower:.2f} and {shape.upper:.2f}, {count} failures"
    if not fit.fits:
        return f"The failures do not follow a power law ({limits}), so its trend means nothing here."
    if shape.upper < 1:
        return f"Getting more reliable ({limits})."
    if shape.lower > 1:
        return f"Getting less reliable ({limits})."
    return f"Cannot tell yet whether it changes ({limits})."
