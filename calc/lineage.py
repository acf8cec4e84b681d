"""Which later revisions still have what an earlier one was made for.

A revision descends from another by way of its parents. Its parts list and dimensions, held against
those of the parent of the earlier one, tell whether what was changed then is still there.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

Key = Hashable
Named = frozenset[Key]
"""Keys of the parts and dimensions that somebody named as changed; empty where nobody did."""


class Feature(NamedTuple):
    """A part or a dimension of a revision."""

    key: Key
    name: str


@dataclass(frozen=True)
class RevisionFacts:
    """A revision: its parts by quantity, and its dimensions as far as they are written down.

    was_ridden: a ride with it is recorded. is_built: it is no longer only planned. rides_now: it is the one in use.
    """

    key: Key
    number: int
    parent: Key | None = None
    was_ridden: bool = True
    rides_now: bool = False
    is_built: bool = True
    parts: Mapping[Feature, float] = field(default_factory=dict)
    dimensions: Mapping[Feature, float] = field(default_factory=dict)

    @property
    def label(self) -> str:
        return f"R{self.number}"


class Fitted(enum.Enum):
    """Whether a revision has a change; unknown if it has only part of it, or if it was not recorded."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "unknown"


class Carried(NamedTuple):
    """Whether a revision still has a change, and what of it is not there."""

    fitted: Fitted
    missing: tuple[str, ...] = ()


class Lineage:
    """The revisions of one machine.

    Examples
    --------
    >>> tensioner = Feature("t", "Chain tensioner")
    >>> lineage = Lineage([
    ...     RevisionFacts("a", 1),
    ...     RevisionFacts("b", 2, parent="a", parts={tensioner: 1}),
    ...     RevisionFacts("c", 3, parent="b"),
    ...     RevisionFacts("d", 4, parent="a"),
    ... ])
    >>> lineage.fitted("b", on="c")
    Carried(fitted=<Fitted.NO: 'no'>, missing=('Chain tensioner',))
    >>> lineage.descends("c", "b"), lineage.descends("d", "b")
    (True, False)
    """

    def __init__(self, revisions: Iterable[RevisionFacts]) -> None:
        self.revisions = {revision.key: revision for revision in revisions}
        self._carried: dict[tuple[Key, Key, Named], Carried] = {}
        self._on: dict[tuple[Key, Named], dict[Key, Fitted]] = {}
        self._changes: dict[tuple[Key, Named], dict[Feature, tuple[float, float]]] = {}
        self._lines: dict[Key, frozenset[Key]] = {}
        self._descendants: dict[Key, list[Key]] = {}
        # A parent comes before its children, so its own line is known by then.
        for revision in sorted(self.revisions.values(), key=lambda listed: listed.number):
            parent = self.revisions.get(revision.parent)
            # A parent is older than its child. Other records are mistakes and give no descent.
            has_parent = parent is not None and parent.number < revision.number
            line = frozenset({revision.key}) | (self._lines[revision.parent] if has_parent else frozenset())
            self._lines[revision.key] = line
            for ancestor in line:
                self._descendants.setdefault(ancestor, []).append(revision.key)

    def descends(self, revision: Key, ancestor: Key) -> bool:
        """Whether a revision is that ancestor, or was made from it by way of its parents."""
        return ancestor in self._lines[revision]

    def changed_by(self, revision: Key, named: Named = frozenset()) -> dict[Feature, tuple[float, float]]:
        """What a revision changed against its parent, with the values before and after.

        What was named decides, as far as it is on record. Where nothing is, parts that it added decide whether a
        later revision still has its fixes; where it added none, the parts that it took off; where it touched none,
        its dimensions. Empty where nothing tells: then descent alone decides.
        """
        own = self.revisions[revision]
        parent = self.revisions.get(own.parent)
        if parent is None:
            return {}
        parts = {}
        if own.parts:
            features = [*own.parts, *(feature for feature in parent.parts if feature not in own.parts)]
            parts = {feature: (parent.parts.get(feature, 0.0), own.parts.get(feature, 0.0)) for feature in features}
        dimensions = {
            feature: (parent.dimensions[feature], value)
            for feature, value in own.dimensions.items()
            if feature in parent.dimensions
        }
        for candidates in (
            {feature: pair for feature, pair in (parts | dimensions).items() if feature.key in named},
            {feature: pair for feature, pair in parts.items() if pair[1] > pair[0]},
            {feature: pair for feature, pair in parts.items() if pair[1] < pair[0]},
            {feature: pair for feature, pair in dimensions.items() if not math.isclose(*pair)},
        ):
            if candidates:
                return candidates
        return {}

    def fitted(self, revision: Key, on: Key, named: Named = frozenset()) -> Carried:
        """Whether what one revision was made for, or what is named of it, is still there on another."""
        known = self._carried.get((revision, on, named))
        if known is None:
            known = self._carried[revision, on, named] = self._compare(revision, on, named)
        return known

    def fitted_on(self, revision: Key, named: Named = frozenset()) -> Mapping[Key, Fitted]:
        """The revisions that have, or perhaps have, what one revision was made for: yes or unknown by revision."""
        known = self._on.get((revision, named))
        if known is None:
            states = {key: self.fitted(revision, key, named).fitted for key in self._descendants[revision]}
            known = self._on[revision, named] = {key: state for key, state in states.items() if state is not Fitted.NO}
        return known

    def _compare(self, revision: Key, on: Key, named: Named) -> Carried:
        if not self.descends(on, revision):
            return Carried(Fitted.NO)
        if on == revision:
            return Carried(Fitted.YES)
        changes = self._changes.get((revision, named))
        if changes is None:
            changes = self._changes[revision, named] = self.changed_by(revision, named)
        fates = {
            feature: _fate(before, after, self._value(feature, on, changed_on=revision))
            for feature, (before, after) in changes.items()
        }
        missing = tuple(feature.name for feature, fate in fates.items() if fate is not Fitted.YES)
        if not missing:
            return Carried(Fitted.YES)
        gone = all(fate is Fitted.NO for fate in fates.values())
        return Carried(Fitted.NO if gone else Fitted.UNKNOWN, missing)

    def _value(self, feature: Feature, on: Key, changed_on: Key) -> float | None:
        """A part's quantity or a dimension of a revision; None where nobody wrote it down."""
        own, other = self.revisions[changed_on], self.revisions[on]
        if feature in own.dimensions:
            return other.dimensions.get(feature)
        if not other.parts and self.revisions[own.parent].parts:
            # Other revisions list parts, so an empty list was not filled in.
            return None
        return other.parts.get(feature, 0.0)


def _fate(before: float, after: float, now: float | None) -> Fitted:
    """Whether a change of a dimension is still present, or was reversed."""
    if now is None:
        return Fitted.UNKNOWN
    if math.isclose(before, after):
        # Named as changed, and yet as many or as much as before: another piece, or another make. Only as it is then.
        same = math.isclose(now, after)
        return Fitted.YES if same else Fitted.NO if not now else Fitted.UNKNOWN
    sign = 1.0 if after > before else -1.0
    if sign * (now - after) >= -1e-9 * abs(after):
        return Fitted.YES
    return Fitted.NO if sign * (now - before) <= 1e-9 * abs(before) else Fitted.UNKNOWN
