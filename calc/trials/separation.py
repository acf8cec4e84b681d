"""Sentences on why two revisions cannot be separated, or hardly, from their riding conditions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calc.trials.columns import Columns, Covariate, Factor, Flags
from calc.trials.days import Selection, day_values, rows_aside, rows_complete
from calc.trials.model import DayModel
from calc.wording import listed

HIGHEST_INFLATION = 10.0
"""From this variance inflation on, terms count as not separable (Kutner, Nachtsheim, Neter and Li, Applied
Linear Statistical Models, 5th ed. (2005), ch. 10; from memory)."""


@dataclass(frozen=True)
class LeftOut:
    """Sessions that do not count, and why."""

    reason: str
    sessions: int


@dataclass(frozen=True)
class Pair:
    """The first `rows` rows of a measure, and the two revisions that a question is about.

    opened_on: of the first revision, earlier days do not count.
    """

    columns: Columns
    rows: int
    revision: int
    against: int
    opened_on: int | None = None

    @property
    def labels(self) -> tuple[str, str]:
        return self.columns.revisions[self.revision], self.columns.revisions[self.against]

    def of(self, revision: int) -> Flags:
        flags: Flags = (self.columns.revision == revision) & (np.arange(self.columns.day.size) < self.rows)
        return flags & ~np.isnan(self.columns.value)


def adjusted_for(pair: Pair, chosen: Selection) -> tuple[str, ...]:
    """The conditions that the difference allows for: recorded, and not the same in all sessions that count."""
    rows = _counted_rows(pair, chosen)
    return tuple(
        condition.label
        for condition, used in zip(pair.columns.conditions, chosen.used, strict=True)
        if used and _varies(condition, rows)
    )


def _varies(condition: Factor | Covariate, rows: Flags) -> bool:
    values = condition.codes[rows] if isinstance(condition, Factor) else condition.values[rows]
    return bool(values.size and (values != values[0]).any())


def _counted_rows(pair: Pair, chosen: Selection) -> Flags:
    columns = pair.columns
    rows = rows_complete(columns, chosen.used) & ~rows_aside(columns, chosen.aside) & ~np.isnan(columns.value)
    rows[pair.rows :] = False
    return rows


def left_out(pair: Pair, chosen: Selection) -> tuple[LeftOut, ...]:
    """Sessions up to now that do not count, by the first reason that applies to each."""
    columns = pair.columns
    open_rows = np.arange(columns.day.size) < pair.rows
    reasons: list[tuple[str, Flags]] = [("without a value", np.isnan(columns.value))]
    if pair.opened_on is not None:
        earlier = (columns.revision == pair.revision) & (columns.day < pair.opened_on)
        reasons.insert(0, ("ridden before the question was opened", earlier))
    for condition, used in zip(columns.conditions, chosen.used, strict=True):
        if used:
            reasons.append((f"without a recorded {condition.label}", ~condition.recorded))
    for place, level in sorted(chosen.aside):
        factor = columns.factors[place]
        reasons.append(
            (f"ridden with no other revision ({factor.label}: {factor.levels[level]})", factor.codes == level)
        )
    left_out = []
    for reason, flags in reasons:
        rows = open_rows & flags
        open_rows &= ~flags
        count = np.unique(columns.session[rows]).size
        if count:
            left_out.append(LeftOut(reason, count))
    return tuple(left_out)


def not_allowed_for(pair: Pair, chosen: Selection) -> tuple[str, ...]:
    """A sentence for each condition that the difference does not allow for, because it was hardly recorded."""
    sentences = []
    for condition, used in zip(pair.columns.conditions, chosen.used, strict=True):
        if used:
            continue
        sides = [pair.of(which) for which in (pair.revision, pair.against)]
        name = condition.label[:1].upper() + condition.label[1:]
        if not any((condition.recorded & side).any() for side in sides):
            sentences.append(
                f"{name} was not recorded with {' or '.join(pair.labels)}; the figures do not allow for it."
            )
            continue
        counts = " and ".join(
            f"{np.unique(pair.columns.session[side & condition.recorded]).size} of "
            f"{np.unique(pair.columns.session[side]).size} sessions of {label}"
            for side, label in zip(sides, pair.labels, strict=True)
        )
        sentences.append(f"{name} was recorded in {counts}; the figures do not allow for it.")
    return tuple(sentences)


def apart_in(pair: Pair, condition: Factor | Covariate) -> str:
    """A sentence where the two revisions have no value of a condition in common; nothing where they have."""
    new, old = (pair.of(which) & condition.recorded for which in (pair.revision, pair.against))
    if not new.any() or not old.any():
        return ""
    first, second = pair.labels
    if isinstance(condition, Factor):
        levels = [sorted(set(condition.codes[side].tolist())) for side in (new, old)]
        if set(levels[0]) & set(levels[1]):
            return ""
        names = [", ".join(condition.levels[level] for level in side) for side in levels]
        return f"{first} and {second} have no {condition.label} in common ({first}: {names[0]}; {second}: {names[1]})."
    sides = [condition.values[side] for side in (new, old)]
    if sides[0].max() < sides[1].min():
        word = condition.less
    elif sides[0].min() > sides[1].max():
        word = condition.more
    else:
        return ""
    spans = " against ".join(condition.span(side.min(), side.max()) for side in sides)
    return f"All sessions of {first} were {word} than those of {second} ({condition.label} {spans})."


def apart(pair: Pair, chosen: Selection) -> tuple[str, ...]:
    """All conditions in use in which the two have nothing in common."""
    sentences = (
        apart_in(pair, condition) for condition, used in zip(pair.columns.conditions, chosen.used, strict=True) if used
    )
    return tuple(sentence for sentence in sentences if sentence)


def why_not_separable(pair: Pair, chosen: Selection) -> str:
    """The conditions that prevent the separation of two revisions."""
    used = [place for place, flag in enumerate(chosen.used) if flag]
    culprits = [place for place in used if _separable_without(pair, chosen, place)]
    conditions = [pair.columns.conditions[place] for place in culprits or used]
    sentences = [sentence for sentence in (apart_in(pair, condition) for condition in conditions) if sentence]
    if sentences:
        return " ".join(sentences)
    first, second = pair.labels
    names = [condition.label for condition in conditions] if culprits else list(adjusted_for(pair, chosen))
    return f"What the change from {second} to {first} did cannot be told from what changed with it: {listed(names)}."


def _separable_without(pair: Pair, chosen: Selection, place: int) -> bool:
    used = tuple(flag and number != place for number, flag in enumerate(chosen.used))
    aside = frozenset(level_aside for level_aside in chosen.aside if level_aside[0] != place)
    days = day_values(pair.columns, Selection(used, aside))
    last_day = int(pair.columns.day[pair.rows - 1])
    model = DayModel(days, len(pair.columns.revisions), pair.revision, pair.against)
    contrast = model.contrast(days.rows_until(last_day))
    return contrast.estimable and contrast.inflation <= HIGHEST_INFLATION
