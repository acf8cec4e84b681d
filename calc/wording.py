"""Numbers with their nouns, and names in a row, as sentences have them."""

from __future__ import annotations

from collections.abc import Sequence


def counted(number: int, noun: str = "ride") -> str:
    """A number with its noun.

    >>> counted(1), counted(3, "session")
    ('1 ride', '3 sessions')
    """
    return f"{number} {noun}{'' if number == 1 else 's'}"


def listed(names: Sequence[str]) -> str:
    """Names in a row.

    >>> listed(["a"]), listed(("a", "b", "c")), listed([])
    ('a', 'a, b and c', '')
    """
    return " and ".join(part for part in (", ".join(names[:-1]), *names[-1:]) if part)
