"""Whether failures come less often as a machine gets older."""

from __future__ import annotations

from dataclasses import dataclass

from buildlog.failures.exposure import Exposure
from buildlog.failures.models import Failure
from calc import reliability
from calc.reliability import PowerLaw, Trend

CONFIDENCE = 0.9
LEAST_FOR_TREND = 3


@dataclass
class Growth:
    """Is it getting more reliable? The fit, or the reason why there is none."""

    places_km: list[float]
    total_km: float
    fit: PowerLaw | None = None
    trend: Trend | None = None
    sentence: str = ""


def growth_of(failures: list[Failure], exposure: Exposure) -> Growth:
    """The trend over the distance ridden, where it is known at which distance each failure came."""
    places_m = [exposure.place_m(failure) for failure in failures]
    # A power law is not defined for failures before the first metre.
    places_km = sorted(place / 1000.0 for place in places_m if place)
    total_km = max([exposure.total_m / 1000.0, *places_km])
    growth = Growth(places_km, total_km)
    unplaced = len(places_m) - len(places_km)
    missing = exposure.total.without_distance
    if exposure.total_m <= 0:
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
        growth.sentence = _growth_sentence(growth.fit, growth.trend, len(places_km))
    if unplaced:
        growth.sentence += f" Left out: {unplaced} that came before the first known distance."
    return growth


def _growth_sentence(fit: PowerLaw, trend: Trend, count: int) -> str:
    limits = f"shape {fit.shape:.2f}, 90 % between {fit.shape_lower:.2f} and {fit.shape_upper:.2f}, {count} failures"
    if not fit.fits:
        return f"The failures do not follow a power law ({limits}), so its trend means nothing here."
    sure = trend.p_value < 1 - CONFIDENCE
    if fit.shape_upper < 1 and sure:
        return f"Getting more reliable ({limits}; Laplace test p = {trend.p_value:.2f})."
    if fit.shape_lower > 1 and sure:
        return f"Getting less reliable ({limits}; Laplace test p = {trend.p_value:.2f})."
    return f"Cannot tell yet whether it changes ({limits}; Laplace test p = {trend.p_value:.2f})."
