"""Small logs to ask questions of, written as a table."""

import numpy as np

from calc.trials.columns import NOT_RECORDED, Columns, Covariate, Factor, Measure
from calc.written_limits import written_span

SPEED = Measure("mean_gate_speed", smallest_difference=0.03)
SURFACES = ("clear ice", "snow", "slush")
NAN = float("nan")


def degrees(low, high):
    return written_span(low, high, "temperature")


def log_of(rows, measure=SPEED, revisions=None, passes=1.0):
    """Columns from rows of (revision, day, value, surface or None, air temperature)."""
    revision, day, value, surface, temperature = zip(*rows, strict=True)
    codes = [NOT_RECORDED if name is None else SURFACES.index(name) for name in surface]
    count = len(rows)
    return Columns(
        measure=measure,
        value=np.array(value, dtype=float),
        passes=np.full(count, passes),
        session=np.arange(count),
        day=np.array(day),
        revision=np.array(revision),
        revisions=revisions or tuple(f"R{number + 1}" for number in range(max(revision) + 1)),
        factors=(Factor("surface", np.array(codes), SURFACES),),
        covariates=(Covariate("air temperature", np.array(temperature, dtype=float), "colder", "warmer", degrees),),
    )


def season_log(random, change=0.0, each=6, revisions=3, spread=0.03, temperature_effect=0.003):
    """Six days each on one surface or the other, at air temperatures of their own."""
    rows = []
    for day in range(each * revisions):
        revision = day // each
        temperature = random.normal(-8, 5)
        logarithm = np.log(16) + temperature_effect * temperature + spread * random.standard_normal()
        logarithm += change if revision == revisions - 1 else 0.0
        rows.append((revision, day, np.exp(logarithm), SURFACES[day % 2], temperature))
    return log_of(rows)
