"""What a form says before it is saved: how it was understood, and what follows from it.

The record is stored in a transaction that is taken back, so that its page's own calculations answer.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from django.db import IntegrityError, transaction
from django.http import JsonResponse

from buildlog.quantities.decimal_sign import all_in_chosen_sign
from buildlog.records.forms import RecordForm

CHECK = "check"
"""The name of the button that asks, and of what the script sends."""
SCRIPT = "script"
"""The value that asks for JSON."""


@dataclass(frozen=True)
class Row:
    """One line of what a form says."""

    label: str
    text: str
    note: str = ""


@dataclass(frozen=True)
class Offer:
    """A value that was perhaps meant, as it would be typed."""

    text: str
    words: str


@dataclass(frozen=True)
class FieldDoubt:
    """Why the value of a field can hardly be, and what was perhaps meant."""

    sentence: str
    offers: tuple[Offer, ...] = ()


@dataclass
class Consequences:
    """What follows from a record: rows, doubts by the name of their field, and sentences of caution."""

    rows: list[Row] = field(default_factory=list)
    doubts: dict[str, list[FieldDoubt]] = field(default_factory=dict)
    cautions: list[str] = field(default_factory=list)


Says = Callable[[Any, str], Consequences]
"""Works the consequences of a stored record out, in a unit system."""


def consequences_of(form: RecordForm[Any], says: Says | None) -> Consequences | None:
    """What follows from a form as it stands; None where it cannot be stored yet."""
    if says is None or not form.is_valid():
        return None
    try:
        with transaction.atomic():
            consequences = says(form.save(), form.unit_system)
            transaction.set_rollback(True)
    except IntegrityError:
        return None
    return consequences


def checked(form: RecordForm[Any], says: Says | None) -> JsonResponse:
    """The answer to the script of a form: what each field was read as, what is wrong with it, and what follows."""
    consequences = consequences_of(form, says)
    wrong = {
        name: str(errors[0]) for name, errors in form.errors.items() if name in form.fields and form.data.get(name)
    }
    doubts = consequences.doubts if consequences else {}
    return JsonResponse(
        all_in_chosen_sign(
            {
                "understood": form.understood(),
                "wrong": wrong,
                "doubts": {
                    name: [
                        {"sentence": doubt.sentence, "offers": [vars(offer) for offer in doubt.offers]}
                        for doubt in of_field
                    ]
                    for name, of_field in doubts.items()
                },
                "says": {
                    "rows": [vars(row) for row in consequences.rows] if consequences else [],
                    "cautions": consequences.cautions if consequences else [],
                },
            }
        )
    )


def show(form: RecordForm[Any], says: Says | None) -> Consequences | None:
    """The same for a page without a script: put to the form's fields, and returned."""
    consequences = consequences_of(form, says)
    form.show_understood_values()
    bound: Any  # `doubts`, which templates read, is no attribute of the framework
    for name, doubts in (consequences.doubts if consequences else {}).items():
        if name in form.fields:
            bound = form[name]
            bound.doubts = doubts
    return consequences
