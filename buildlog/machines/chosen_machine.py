"""The machine that the navigation speaks of: the one of the last page that was about a machine, on each browser."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.db.models import F, IntegerField, Model, OuterRef, Subquery
from django.http import HttpRequest, HttpResponse

from buildlog.machines.models import Vehicle
from buildlog.machines.queries import ridden_now

KEPT_FOR_S = 365 * 24 * 3600
NAMED = (
    "vehicle", "revision", "session", "failure", "trial", "card", "log", "part", "piece", "venue", "mode", "person",
    "record",
)  # fmt: skip
"""What pages call the record that they are about."""


@dataclass(frozen=True)
class MachineName:
    """A machine as the navigation names it. riding: the number of the revision that is ridden now."""

    pk: uuid.UUID
    name: str
    invented: bool
    riding: int | None


def machine_names() -> list[MachineName]:
    """All machines in one query, those first whose ridden revision is the newest."""
    riding = ridden_now(vehicle=OuterRef("pk"))
    rows = Vehicle.objects.annotate(
        riding=Subquery(riding.values("number")[:1], output_field=IntegerField()),
        since=Subquery(riding.values("date")[:1]),
    ).order_by(F("since").desc(nulls_last=True), "name")
    return [MachineName(*row) for row in rows.values_list("pk", "name", "invented", "riding")]


def machines_for(request: HttpRequest) -> list[MachineName]:
    """The same for a page and the frame around it, read once for both."""
    machines: list[MachineName] | None = getattr(request, "machine_names", None)
    if machines is None:
        machines = request.machine_names = machine_names()  # type: ignore[attr-defined]  # of this request only
    return machines


def chosen(request: HttpRequest, machines: Sequence[MachineName]) -> MachineName | None:
    """The machine of the last page that was about one, or the first of them."""
    key = request.COOKIES.get(settings.MACHINE_COOKIE_NAME, "")
    return next((machine for machine in machines if str(machine.pk) == key), machines[0] if machines else None)


def note_shown(request: HttpRequest, machine: uuid.UUID) -> None:
    """Keep the machine of the page that is being answered as the chosen one."""
    request.shown_machine = machine  # type: ignore[attr-defined]  # read by ChosenMachine below


class ChosenMachine:
    """Middleware. It remembers the machine in a cookie of its own, so that looking at a page writes nothing."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        machine = getattr(request, "shown_machine", None)
        if machine is not None and request.COOKIES.get(settings.MACHINE_COOKIE_NAME) != str(machine):
            response.set_cookie(
                settings.MACHINE_COOKIE_NAME, str(machine), max_age=KEPT_FOR_S, path=settings.SESSION_COOKIE_PATH,
                secure=settings.SESSION_COOKIE_SECURE, httponly=True, samesite="Lax",
            )  # fmt: skip
        return response


def records_of_page(context: Any) -> dict[str, Any]:
    """The stored records that a page is about, by the name of their model: what it names, its form's record, and what
    was read with these. Nothing is asked of the database."""
    named = [context.get(name) for name in NAMED]
    form = context.get("form")
    named.append(getattr(form, "instance", None))
    records: dict[str, Any] = {}
    for record in _with_parents([record for record in named if isinstance(record, Model)]):
        if not record._state.adding:
            records.setdefault(str(record._meta.model_name), record)
    if isinstance(context.get("record"), Model):
        records["record"] = context["record"]
    return records


def _with_parents(records: list[Model]) -> Iterator[Model]:
    for _ in range(4):
        yield from records
        records = [
            parent
            for record in records
            for name, parent in record._state.fields_cache.items()
            if name != "parent" and isinstance(parent, Model)
        ]
