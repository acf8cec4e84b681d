"""Pages of a machine's instruments and of its formulas."""

from __future__ import annotations

import uuid
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from buildlog.machines.models import Vehicle
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records.pages import change_record, remove_record, write_record
from sessions.logs.column_guess import guess
from sessions.logs.content import open_content
from sessions.logs.csv_layout import Layout, find_layout
from sessions.logs.instrument_columns import of_file
from sessions.logs.instrument_forms import FormulaChannelForm, InstrumentForm
from sessions.logs.meanings import BY_COLUMN, Mapping
from sessions.logs.models import FormulaChannel, Instrument, Log
from sessions.logs.plain_tables import PLAIN, REWRITTEN


@require_safe
def vehicle_instruments(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """The instruments that a machine carries, and what is worked out of what they log."""
    vehicle = get_object_or_404(Vehicle, pk=pk)
    system = request.user.unit_system
    instruments = [
        {"instrument": instrument, "columns": [_row(column, system) for column in instrument.known_columns]}
        for instrument in vehicle.instruments.all()
    ]
    context = {
        "vehicle": vehicle,
        "instruments": instruments,
        "formulas": FormulaChannel.objects.filter(vehicle=vehicle),
    }
    return render(request, "logs/vehicle_instruments.html", context)


def _row(column: Any, system: str) -> dict[str, str]:
    unit = "" if column.unit == next(iter(BY_COLUMN[column.meaning].units)) == column.header_unit else column.unit
    taken = f"{BY_COLUMN[column.meaning].label}{f', {unit}' if unit and unit != 'as it stands' else ''}"
    return {
        "name": column.name,
        "unit": column.header_unit,
        "taken_as": f"{taken}, discharge below zero" if column.flipped else taken,
        "scale": "" if column.scale == 1 else f"× {column.scale:.6g}".replace("-", "−"),
        "range": column.range_in_words(system),
    }


@form_page
@needs(Right.BUILD)
def new_instrument(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Keep how a log was read as an instrument of its machine."""
    log = get_object_or_404(Log.objects.select_related("session__revision__vehicle"), pk=pk)
    try:
        layout, mapping = _as_read(log)
    except ValueError:
        messages.info(request, "Only a logger's table that can be read is kept as an instrument.")
        return redirect(log)
    vehicle = log.session.revision.vehicle
    columns = [column.as_json() for column in of_file(layout, mapping)]
    instrument = Instrument(vehicle=vehicle, columns=columns, interval_s=mapping.interval_s)

    def this_log_is_of_it(kept: Instrument) -> None:
        # Its values were there before its checks: they are asked of the next file.
        Log.objects.filter(pk=log.pk, instrument__isnull=True).update(instrument=kept)

    return write_record(
        request,
        InstrumentForm,
        instrument,
        title=f"New instrument of {vehicle.name}",
        back=log.get_absolute_url(),
        after=reverse("vehicle_instruments", args=[vehicle.pk]),
        on_created=this_log_is_of_it,
    )


def _as_read(log: Log) -> tuple[Layout, Mapping]:
    """How a table was read, or would be. Raises ValueError for what is none."""
    if log.mapping:
        return Layout.from_json(log.layout), Mapping.from_json(log.mapping)
    if not log.is_table:
        raise ValueError("A track says itself what its values mean.")
    with open_content(log) as content:
        head = find_layout(content.file, content.size, PLAIN if log.kind in REWRITTEN else None)
    return head.layout, guess(head.layout, head.rows, head.interval_s)


@form_page
@needs(Right.BUILD)
def edit_instrument(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    return change_record(request, InstrumentForm, Instrument.objects.select_related("vehicle"), pk, list_page="shed")


@form_page
@needs(Right.BUILD)
def remove_instrument(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    instrument = get_object_or_404(Instrument.objects.select_related("vehicle"), pk=pk)
    page = instrument.get_absolute_url()
    return remove_record(request, instrument, back=page, after=page)


@form_page
@needs(Right.BUILD)
def new_formula(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    vehicle = get_object_or_404(Vehicle, pk=pk)
    page = reverse("vehicle_instruments", args=[vehicle.pk])
    formula = FormulaChannel(vehicle=vehicle)
    return write_record(request, FormulaChannelForm, formula, title=f"New formula of {vehicle.name}", back=page)


@form_page
@needs(Right.BUILD)
def edit_formula(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    rows = FormulaChannel.objects.select_related("vehicle")
    return change_record(request, FormulaChannelForm, rows, pk, list_page="shed")


@form_page
@needs(Right.BUILD)
def remove_formula(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    formula = get_object_or_404(FormulaChannel.objects.select_related("vehicle"), pk=pk)
    page = formula.get_absolute_url()
    return remove_record(request, formula, back=page, after=page)
