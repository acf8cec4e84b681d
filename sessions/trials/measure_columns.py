"""A season's sessions as the columns of each measure: values with their revision, day and conditions."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from django.utils import timezone

from calc.trials.columns import NOT_RECORDED, Columns, Covariate, Factor
from calc.trials.passes import GateValues, Passes, balanced_means, best_of, each_way_kept, two_way_best
from calc.written_limits import written_span
from sessions.evidence.season import Season
from sessions.outings.models import Assumptions, Session
from sessions.trials.measures import BEST_SPEED, ENERGY, ENERGY_AT_EQUAL_SPEED, MEAN_SPEED, RANGE, TWO_WAY, Measure

_RESULTS = {ENERGY.key: "energy_per_distance", ENERGY_AT_EQUAL_SPEED.key: "energy_per_distance", RANGE.key: "range"}


class MeasureColumns:
    """The columns of a season.

    Parameters
    ----------
    season: all sessions of the machine.
    system: the reader's unit system, for conditions in words.
    kept: one flag for each session; the others count nowhere. None for all.
    names_places: whether sentences may name gates; where not, they are numbered.
    """

    def __init__(
        self, season: Season, system: str = "metric", kept: Any | None = None, names_places: bool = True
    ) -> None:
        self.season, self.system, self.names_places = season, system, names_places
        self.known = Assumptions.of(season.vehicle)
        self._shared: dict[str, Columns] = {}
        self.kept = np.ones(season.count, dtype=bool) if kept is None else kept
        place = {revision.pk: index for index, revision in enumerate(season.revisions)}
        self.revision = np.array([place[key] for key in season.revision], dtype=np.intp)
        zone = timezone.get_current_timezone()
        self.day = np.array([moment.astimezone(zone).toordinal() for moment in season.started_at], dtype=np.intp)

    def of(self, measure: Measure, newest: int) -> Columns:
        """A measure's columns. `newest`: the revision in question, by its place; how many passes the fastest is asked
        of was settled when it was first ridden."""
        if measure.key in _RESULTS or measure.key == MEAN_SPEED.key:
            key, each_way = measure.key, 0
        else:
            each_way = self._usual_each_way(newest)
            key = f"{measure.key} of {each_way}"
        if key not in self._shared:
            self._shared[key] = self._of_fastest(measure, each_way) if each_way else self._of_all(measure)
        return self._shared[key]

    def _of_all(self, measure: Measure) -> Columns:
        """Of a measure that does not depend on the revision in question: one table for all questions."""
        if measure.key in _RESULTS:
            value = self.season.values(_RESULTS[measure.key])
            value = np.where(self.kept & (np.nan_to_num(value) > 0), value, np.nan)
            sessions = np.arange(self.season.count)
            return self._columns(measure, value, np.ones(sessions.size), sessions, None)
        values = self._means
        return self._columns(measure, values.value, values.passes, values.session, values.gate)

    def _of_fastest(self, measure: Measure, each_way: int) -> Columns:
        """The same for all questions that ask for the fastest of as many passes."""
        best = {BEST_SPEED.key: best_of, TWO_WAY.key: two_way_best}[measure.key]
        values = best(self._passes, each_way)
        return self._columns(measure, values.value, values.passes, values.session, values.gate)

    @cached_property
    def gates(self) -> list[str]:
        return sorted(set(self.season.passes.gate))

    @property
    def _gate_names(self) -> tuple[str, ...]:
        if not self.names_places:
            return tuple(f"gate {number}" for number, _ in enumerate(self.gates, start=1))
        return tuple(self.season.passes.gates[text].name for text in self.gates)

    @cached_property
    def _passes(self) -> Passes:
        passes = self.season.passes
        place = {gate: index for index, gate in enumerate(self.gates)}
        counts = self.kept[passes.session]
        gate = np.array([place[text] for text in passes.gate], dtype=np.intp)
        speed = np.atleast_1d(np.asarray(passes.speed.value, dtype=np.float64))
        return Passes(passes.session[counts], gate[counts], passes.is_out[counts], speed[counts])

    @cached_property
    def _means(self) -> GateValues:
        return balanced_means(self._passes)

    def _usual_each_way(self, newest: int) -> int:
        own = np.flatnonzero(self.revision == newest)
        last = own[0] if own.size else self.season.count
        known = self._means.session <= last
        return each_way_kept(self._means.out[known], self._means.back[known])

    def _columns(self, measure: Measure, value: Any, passes: Any, session: Any, gate: Any | None) -> Columns:
        season = self.season
        factors = [Factor("surface", self._surface[session], tuple(label for _, label in Session.Surface.choices))]
        if gate is not None:
            factors.append(Factor("gate", gate, self._gate_names))
        covariates = [
            self._covariate("air temperature", "temperature", season.numbers["air_temperature_c"], "colder", "warmer"),
            self._covariate("rider and payload", "mass", season.load_kg, "lighter", "heavier"),
            self._covariate("wind", "speed", season.numbers["wind_speed_mps"], "calmer", "windier"),
        ]
        if measure.key == ENERGY_AT_EQUAL_SPEED.key:
            covariates.append(
                self._covariate("mean speed", "speed", season.values("average_speed"), "slower", "faster")
            )
        return Columns(
            measure.of(self.known),
            value=value,
            passes=np.where(np.isnan(value), 1.0, passes),
            session=session,
            day=self.day[session],
            revision=self.revision[session],
            revisions=tuple(revision.label for revision in season.revisions),
            factors=tuple(factors),
            covariates=tuple(
                Covariate(condition.label, condition.values[session], condition.less, condition.more, condition.span)
                for condition in covariates
            ),
        )

    @cached_property
    def _surface(self) -> Any:
        place = {value: index for index, value in enumerate(Session.Surface.values)}
        return np.array([place.get(surface, NOT_RECORDED) for surface in self.season.surface], dtype=np.intp)

    def _covariate(self, label: str, kind: str, values: Any, less: str, more: str) -> Covariate:
        return Covariate(label, values, less, more, lambda low, high: written_span(low, high, kind, self.system))
