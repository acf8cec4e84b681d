"""Every meaning of a column with its units, as one list: a choice is made with one touch."""

from __future__ import annotations

from sessions.logs.meanings import IGNORE, MEANINGS, TIME_FORMATS, ColumnChoice, may_be_flipped

FLIPPED = "discharge counted below zero"


def _choices() -> list[tuple[str, list[tuple[str, str]]]]:
    groups = []
    for meaning in MEANINGS:
        options = []
        for unit in meaning.units:
            words = TIME_FORMATS.get(unit, unit)
            if may_be_flipped(meaning):
                options.append((f"{meaning.column}|{unit}", f"{meaning.label}, {words}, discharge above zero"))
                options.append((f"{meaning.column}|{unit}|flipped", f"{meaning.label}, {words}, {FLIPPED}"))
            else:
                options.append((f"{meaning.column}|{unit}", f"{meaning.label}, {words}"))
        groups.append((meaning.label, options))
    return groups


CHOICES = _choices()


def value_of(choice: ColumnChoice) -> str:
    """A choice as the list has it."""
    return "|".join([choice.meaning, choice.unit, *(["flipped"] if choice.flipped else [])])


def choice_of(index: int, value: str) -> ColumnChoice | None:
    """What was chosen for a column; None where it is ignored."""
    meaning, _, rest = value.partition("|")
    unit, _, flipped = rest.partition("|")
    return None if meaning == IGNORE else ColumnChoice(index, meaning[:40], unit[:40], flipped == "flipped")
