"""One session's working: results so far, and what the others need."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from calc.session_facts import ReadingFacts, SessionFacts


@dataclass(frozen=True)
class Result:
    """A worked-out value in the stored unit of its kind (see calc.quantities)."""

    key: str
    label: str
    kind: str
    value: float
    u: float | None
    method: str
    kernel: str
    evidence: str = ""
    improve: str = ""
    caution: str = ""


@dataclass(frozen=True)
class Missing:
    key: str
    label: str
    needs: tuple[str, ...]


class Sheet:
    """One session's working: its facts, and the results so far."""

    def __init__(self, facts: SessionFacts) -> None:
        # Any, because a type cannot say that what `lacks` did not list is there.
        self.facts: Any = facts
        self.results: list[Result] = []
        self.missing: list[Missing] = []
        self.by_key: dict[str, Any] = {}

    def add(self, key: str, label: str, kind: str, measured: Any, method: str, kernel: str, **texts: str) -> None:
        value, u = measured if isinstance(measured, tuple) else (measured, None)
        result = Result(key, label, kind, float(value), None if u is None else float(u), method, kernel, **texts)
        self.results.append(result)
        self.by_key[key] = result

    def lacks(self, key: str, label: str, **needed: Any) -> bool:
        """Note what is missing, if anything. Each keyword is a plain word for what its value gives."""
        needs = tuple(words.replace("_", " ") for words, value in needed.items() if value is None or value == ())
        if needs:
            self.missing.append(Missing(key, label, needs))
        return bool(needs)

    def value(self, key: str) -> Any:
        found = self.by_key.get(key)
        return None if found is None else found.value

    def readings_with(self, *names: str) -> list[ReadingFacts]:
        return [reading for reading in self.facts.readings if all(getattr(reading, name) is not None for name in names)]
