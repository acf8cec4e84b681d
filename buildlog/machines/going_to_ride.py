"""What stands before a revision may be set to riding. Rooms that know the open points register how they are asked."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from buildlog.machines.models import Revision


class Gate(NamedTuple):
    """`refusal` gives the sentence that refuses a revision, or ""; `note` records that it was released.

    Both look at the revision with its parts. Of one that is being made, `refusal` is told whether it takes its parent's
    parts along, as it does by its form; by the interface it has none yet.
    """

    refusal: Callable[[Revision, bool], str]
    note: Callable[[Revision], object]


_GATES: list[Gate] = []


def register(gate: Gate) -> None:
    if gate not in _GATES:
        _GATES.append(gate)


def goes_to_ride(revision: Revision, before: str | None) -> bool:
    return revision.status == Revision.Status.RIDING and before != Revision.Status.RIDING


def refusal(revision: Revision, *, takes_parts_along: bool = False) -> str:
    """Why a revision may not be set to riding yet; "" where nothing is open."""
    return next((sentence for gate in _GATES if (sentence := gate.refusal(revision, takes_parts_along))), "")


def note_release(revision: Revision) -> None:
    for gate in _GATES:
        gate.note(revision)
