"""Ground contacts as points: where a machine stands, on what, and which of them steer, drive and brake.

They are stored with the revision as plain data. The four layouts of earlier releases, with track width and wheelbase,
say the same in short: where no points are stored, they follow from these.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

from django.core.exceptions import ValidationError

RUNNER, SKI, WHEEL, TRACK = "runner", "ski", "wheel", "track"
KINDS = ((RUNNER, "Runner"), (SKI, "Ski"), (WHEEL, "Wheel"), (TRACK, "Track"))
MOST = 12
REACH_M = 20.0
STIFFEST_N_PER_M = 1e8
LAYOUT_FIELDS = ("contacts", "track_width_m", "wheelbase_m")
_FLAGS = ("steered", "driven", "braked")
EXAMPLE = '[{"x_m": 1.8, "y_m": 0, "kind": "ski", "steered": true}]'


@dataclass(frozen=True)
class Contact:
    """One point on the ground; `kind` is "" where it was never said."""

    x_m: float
    y_m: float
    kind: str = ""
    steered: bool = False
    driven: bool = False
    braked: bool = False
    stiffness_n_per_m: float | None = None

    @property
    def label(self) -> str:
        return dict(KINDS).get(self.kind, "Contact")

    @property
    def duties(self) -> list[str]:
        return [name for name in _FLAGS if getattr(self, name)]

    def as_stored(self) -> dict[str, Any]:
        """Only what was said: a place of 0 is, a duty of "no" is not."""
        return {
            name: value
            for name, value in asdict(self).items()
            if value is not None and value is not False and value != ""
        }


def of_layout(layout: str, track_width_m: float | None, wheelbase_m: float | None) -> list[Contact]:
    """The points that one of the four layouts describes; none where it lacks a dimension."""
    if not wheelbase_m or (layout != "two" and not track_width_m):
        return []
    half = (track_width_m or 0.0) / 2
    front, rear = [(wheelbase_m, half), (wheelbase_m, -half)], [(0.0, half), (0.0, -half)]
    single_front, single_rear = [(wheelbase_m, 0.0)], [(0.0, 0.0)]
    places = {
        "one_front_two_rear": single_front + rear,
        "two_front_one_rear": front + single_rear,
        "four": front + rear,
        "two": single_front + single_rear,
    }.get(layout, [])
    return [Contact(x_m, y_m) for x_m, y_m in places]


def stored_contacts(points: Any) -> list[Contact]:
    """Contacts as they are stored with a revision."""
    return [Contact(**point) for point in points or []]


def contacts_of(revision: Any) -> list[Contact]:
    """Where a revision stands: its own points, or those of its layout."""
    return stored_contacts(revision.contact_points) or of_layout(
        revision.contacts, revision.track_width_m, revision.wheelbase_m
    )


def read_contacts(values: Any) -> list[dict[str, Any]]:
    """A list of contacts as it is stored. Raises ValidationError with a sentence."""
    if not isinstance(values, list) or len(values) > MOST:
        raise ValidationError(f"The ground contacts are a list of at most {MOST} points, for example {EXAMPLE}.")
    contacts = [_read(number, value) for number, value in enumerate(values, start=1)]
    places = {(contact.x_m, contact.y_m) for contact in contacts}
    if len(places) < len(contacts):
        raise ValidationError("Two ground contacts lie at the same place. Give each its own, or remove one.")
    return [contact.as_stored() for contact in contacts]


def _read(number: int, value: Any) -> Contact:
    known = Contact.__dataclass_fields__
    if not isinstance(value, dict) or not set(value) <= set(known):
        raise ValidationError(f"Ground contact {number} has {', '.join(known)}, for example {EXAMPLE}.")
    for name, low, high in (
        ("x_m", -REACH_M, REACH_M),
        ("y_m", -REACH_M, REACH_M),
        ("stiffness_n_per_m", 1.0, STIFFEST_N_PER_M),
    ):
        written = value.get(name)
        if written is None and name == "stiffness_n_per_m":
            continue
        if (
            not isinstance(written, (int, float))
            or isinstance(written, bool)
            or not math.isfinite(written)
            or not low <= written <= high
        ):
            raise ValidationError(f"Ground contact {number}: {name} must be a number from {low:g} to {high:g}.")
    if value.get("kind", "") not in {"", *dict(KINDS)}:
        raise ValidationError(f"Ground contact {number}: its kind is one of {', '.join(dict(KINDS))}.")
    if not all(isinstance(value.get(name, False), bool) for name in _FLAGS):
        raise ValidationError(f"Ground contact {number}: {', '.join(_FLAGS)} are true or false.")
    return Contact(**{**value, "x_m": float(value["x_m"]), "y_m": float(value["y_m"])})


def track_width_m(contacts: Iterable[Contact]) -> float | None:
    """How far the outermost contacts stand apart."""
    places = [contact.y_m for contact in contacts]
    return max(places) - min(places) if len(places) > 1 and max(places) > min(places) else None


def wheelbase_m(contacts: Iterable[Contact]) -> float | None:
    """From the rearmost to the foremost contact."""
    places = [contact.x_m for contact in contacts]
    return max(places) - min(places) if len(places) > 1 and max(places) > min(places) else None


def contact_name(contact: Contact, contacts: list[Contact]) -> str:
    """ "Front left wheel" and so on: where a contact is among the others."""
    xs = [other.x_m for other in contacts]
    middle = (min(xs) + max(xs)) / 2
    ends = "front" if contact.x_m > middle + 1e-6 else "rear" if contact.x_m < middle - 1e-6 else "middle"
    side = "left" if contact.y_m > 1e-6 else "right" if contact.y_m < -1e-6 else ""
    words = " ".join(word for word in (ends, side, contact.label.lower()) if word)
    return words[:1].upper() + words[1:]
