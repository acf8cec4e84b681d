"""When two names of a failure mode are the same, and when they are near enough to ask."""

from __future__ import annotations

import unicodedata
from collections import Counter
from collections.abc import Iterable

NEAR = 0.5
"""From this likeness on a name is offered (common practice, no source)."""
LEAST_LETTERS = 4
"""A shorter beginning is like too many names."""
MOST_OFFERED = 3


def one_form(name: str) -> str:
    """The form in which names are compared: Unicode NFKC, without case, dots and spare spaces.

    Examples
    --------
    >>> one_form("Chain  came off.") == one_form("chain came\\u00a0off") == one_form("ＣＨＡＩＮ came off…")
    True
    >>> one_form(" … ")
    ''
    """
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    return " ".join(folded.replace(".", " ").split())


def as_typed(name: str) -> str:
    """A name as it is stored: without spare spaces and without dots at its end.

    >>> as_typed("  Chain  came off. ")
    'Chain came off'
    """
    return " ".join(unicodedata.normalize("NFKC", name).split()).rstrip(". ")


def likeness(first: str, second: str) -> float:
    """The share of pairs of letters that two names have in common, from 0 to 1, whatever the order of the words.

    Source: Dice, Measures of the amount of ecologic association between species, Ecology 26 (1945) 297–302.

    >>> round(likeness("chain came off", "chain came of"), 2)
    0.96
    >>> likeness("off came the chain", "the chain came off")
    1.0
    >>> likeness("brake cable broke", "lamp out") < 0.2
    True
    """
    pairs, others = (_pairs_of(name) for name in (first, second))
    count = pairs.total() + others.total()
    return 2 * (pairs & others).total() / count if count else 0.0


def _pairs_of(name: str) -> Counter[str]:
    text = " ".join(sorted(one_form(name).split()))
    return Counter(text[index : index + 2] for index in range(len(text) - 1))


def near(name: str, names: Iterable[str]) -> list[str]:
    """Names that may mean the same as a new one, the likest first; empty where one of them is the same.

    The phone and the forms work it out as well, while a name is typed (`static/field/mode_names.js`).

    >>> near("chain fell off", ["Chain came off", "Lamp out", "Chain fell of"])
    ['Chain fell of', 'Chain came off']
    >>> near("chain came off.", ["Chain came off", "Chain came of"])
    []
    """
    listed, key = list(names), one_form(name)
    if len(key) < LEAST_LETTERS or any(key == one_form(known) for known in listed):
        return []
    ranked = sorted(((likeness(name, known), known) for known in listed), key=lambda row: (-row[0], row[1]))
    chosen = [known for share, known in ranked if share >= NEAR or one_form(known).startswith(key)]
    return chosen[:MOST_OFFERED]
