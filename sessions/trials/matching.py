"""Which sessions are compared: what they must have in common, and why others are left out."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from calc.quantities import NotUnderstood, understand, written
from sessions.evidence.season import Season
from sessions.outings.models import Pass, Session

BANDS = {
    "temperature": ("air_temperature_c", "temperature", "air temperature"),
    "rider": ("rider_mass_kg", "mass", "rider"),
}


@dataclass(frozen=True)
class Matching:
    """An empty field matches everything. Bands are in stored units and include their ends."""

    surface: str = ""
    venue: str = ""
    direction: str = ""
    temperature_from: float | None = None
    temperature_to: float | None = None
    rider_from: float | None = None
    rider_to: float | None = None

    @classmethod
    def of(cls, query: Mapping[str, str], system: str) -> tuple[Matching, list[str]]:
        """The matching in the address, and a sentence for each part of it that was not understood."""
        values: dict[str, Any] = {}
        notes = []
        surface, direction, venue = (query.get(name, "") for name in ("surface", "direction", "venue"))
        if surface in Session.Surface.values:
            values["surface"] = surface
        if direction in Pass.Direction.values:
            values["direction"] = direction
        if venue and _is_key(venue):
            values["venue"] = venue
        for band, (_, kind, label) in BANDS.items():
            for end in ("from", "to"):
                typed = query.get(f"{band}_{end}", "").strip()
                if not typed:
                    continue
                try:
                    values[f"{band}_{end}"] = understand(typed, kind, system)
                except NotUnderstood as error:
                    notes.append(f"{label.capitalize()} {end}: {error} It is not used.")
        return cls(**values), notes

    def apply(
        self, season: Season, rows_of: Mapping[Any, Any], system: str
    ) -> tuple[dict[Any, Any], dict[Any, list[str]]]:
        """The rows that match, and a sentence for each session that was left out, both by revision."""
        matched: dict[Any, Any] = {}
        left_out: dict[Any, list[str]] = {}
        labels = {revision.pk: revision.label for revision in season.revisions}
        for key, rows in rows_of.items():
            stays = []
            for row in rows:
                why = self._against(season, row, system)
                if why:
                    left_out.setdefault(key, []).append(f"{labels[key]}, {season.started_at[row]:%Y-%m-%d}: {why}")
                else:
                    stays.append(row)
            matched[key] = np.array(stays, dtype=np.intp)
        return matched, left_out

    def _against(self, season: Season, row: int, system: str) -> str:
        if self.surface and season.surface[row] != self.surface:
            ridden_on = dict(Session.Surface.choices).get(season.surface[row], "an unrecorded surface").lower()
            return f"ridden on {ridden_on}"
        if self.venue and season.venue[row] not in (self.venue, self.venue.replace("-", "")):
            return f"ridden at {season.venue_name[row]}"
        for band, (name, kind, label) in BANDS.items():
            low, high = getattr(self, f"{band}_from"), getattr(self, f"{band}_to")
            if low is None and high is None:
                continue
            value = float(season.numbers[name][row])
            if np.isnan(value):
                return f"{label} not recorded"
            if (low is not None and value < low) or (high is not None and value > high):
                return f"{label} {written(value, kind, system)}"
        return ""


def _is_key(text: str) -> bool:
    try:
        return bool(uuid.UUID(text))
    except ValueError:
        return False
