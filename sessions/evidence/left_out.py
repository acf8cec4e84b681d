"""What results leave out because it is in doubt: the facts, by the keys of their records."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from sessions.evidence.doubts import MachineDoubts

_OF_RIDES = ("session", "pass", "reading", "log")


@dataclass(frozen=True)
class LeftOut:
    """Open doubts of one machine as masks. Warnings and limits do not heed them: they count what is in doubt."""

    doubts: MachineDoubts

    @cached_property
    def is_nothing(self) -> bool:
        """Whether no value of the sessions that were read is in doubt."""
        return not any(mask.any() for subject in _OF_RIDES for mask in self.doubts.facts_in_doubt(subject).values())

    @cached_property
    def count(self) -> int:
        """How many records of rides are out, in whole or in part; a build in doubt is on no ride's account."""
        return sum(
            len(self.doubts.asked(subject, np.flatnonzero(np.any(list(masks.values()), axis=0))))
            for subject in _OF_RIDES
            if (masks := self.doubts.facts_in_doubt(subject))
        )

    def facts_of_sessions(self, texts: Iterable[str]) -> dict[str, Any]:
        """For each fact in doubt, in which of these sessions; keys are text, as the database writes them."""
        return self._in_order("session", texts)

    def facts_of_readings(self, texts: Iterable[str]) -> dict[str, Any]:
        return self._in_order("reading", texts)

    def passes(self, texts: Iterable[str]) -> Any:
        """Which of these passes have a time in doubt."""
        keys = list(texts)
        return self._in_order("pass", keys).get("duration_s", np.zeros(len(keys), dtype=bool))

    @cached_property
    def logs(self) -> frozenset[uuid.UUID]:
        """Keys of the logs of which anything is in doubt."""
        rows, masks = self.doubts.rows("log"), self.doubts.facts_in_doubt("log")
        if not masks:
            return frozenset()
        return frozenset(rows.key(int(row)) for row in np.flatnonzero(np.any(list(masks.values()), axis=0)))

    def _in_order(self, subject: str, texts: Iterable[str]) -> dict[str, Any]:
        masks = self.doubts.facts_in_doubt(subject)
        if not masks:
            return {}
        rows = self.doubts.rows(subject)
        # Few records are in doubt, and one that was not asked about is in none.
        in_doubt = np.flatnonzero(np.any(list(masks.values()), axis=0))
        place = {rows.texts[row]: row for row in in_doubt.tolist()}
        order = np.array([place.get(text, -1) for text in texts], dtype=np.intp)
        return {name: np.where(order >= 0, mask[order], False) for name, mask in masks.items()}
