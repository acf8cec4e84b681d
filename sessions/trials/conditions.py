"""The conditions in which two revisions were ridden, beside each other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from django.utils import timezone

from buildlog.machines.models import Revision
from calc.wording import counted
from calc.written_limits import written_span
from sessions.evidence.reader import recorded
from sessions.evidence.season import Season
from sessions.outings.models import Session


def conditions_beside(
    revisions: Sequence[Revision], season: Season, matched: Mapping[Any, Any], system: str
) -> list[tuple[str, list[str]]]:
    """One row for each condition, with one text for each revision; conditions that neither recorded are left out."""
    sides = [matched[revision.pk] for revision in revisions]
    rows = [("Ridden", [_ridden(season, side) for side in sides])]
    rows.append(("Surface", [_surfaces(season, side) for side in sides]))
    for label, values, kind in (
        ("Air", season.numbers["air_temperature_c"], "temperature"),
        ("Wind", season.numbers["wind_speed_mps"], "speed"),
        ("Rider and payload", season.load_kg, "mass"),
    ):
        rows.append((label, [_span(values, side, kind, system) for side in sides]))
    return [(label, [text or "not recorded" for text in texts]) for label, texts in rows if any(texts)]


def _ridden(season: Season, side: Any) -> str:
    days = {timezone.localtime(season.started_at[row]).date() for row in side}
    return f"{counted(len(side), 'session')} on {counted(len(days), 'day')}" if days else "never"


def _surfaces(season: Season, side: Any) -> str:
    names = dict(Session.Surface.choices)
    counts = Counter(season.surface[row] for row in side if season.surface[row])
    return ", ".join(f"{names[surface].lower()} {count}" for surface, count in counts.most_common())


def _span(values: Any, side: Any, kind: str, system: str) -> str:
    known = recorded(values, side)
    if not known.size:
        return ""
    return written_span(float(known.min()), float(known.max()), kind, system)
