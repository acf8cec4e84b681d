"""The page on which a person chooses what a logger's columns mean; guesses are filled in and can be changed."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, replace
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from buildlog.machines.confirmations import confirm
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from calc.quantities import written
from sessions.logs import import_jobs
from sessions.logs.column_choices import CHOICES, choice_of, value_of
from sessions.logs.column_guess import guess
from sessions.logs.content import open_content
from sessions.logs.csv_layout import DECIMAL_MARKS, DELIMITERS, ENCODINGS, Head, find_layout
from sessions.logs.csv_reading import number_in
from sessions.logs.file_doubts import LARGEST_READ_AGAIN_BYTES, FileDoubts, FileMend, doubts_of_file
from sessions.logs.first_row import first_row
from sessions.logs.instrument_columns import choices_in, fits
from sessions.logs.meanings import BY_COLUMN, IGNORE, OTHER, PLAIN_NUMBER, ColumnChoice, Mapping, signature_of
from sessions.logs.models import ColumnMapping, Instrument, Log
from sessions.logs.plain_tables import PLAIN, REWRITTEN
from sessions.logs.series import NotARecording

SHOWN_ROWS = 3


class LayoutForm(forms.Form):
    """How the file is written, to correct what was detected."""

    encoding = forms.ChoiceField(choices=list(ENCODINGS.items()), required=False)
    delimiter = forms.ChoiceField(
        label="Between two cells", choices=[(mark, word) for mark, word in DELIMITERS.items()], required=False
    )
    decimal = forms.ChoiceField(label="Decimal mark", choices=list(DECIMAL_MARKS.items()), required=False)
    first_line = forms.IntegerField(label="First line of data", min_value=1, max_value=300, required=False)


@dataclass(frozen=True)
class ColumnRow:
    """One column of the file on the page."""

    index: int
    name: str
    unit: str
    cells: list[str]
    chosen: str
    understood: str
    scale: str = ""


@require_http_methods(["GET", "HEAD", "POST"])
@needs(Right.LOG)
def log_columns(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """What the file looks like, and what each column means; a POST imports it."""
    rows = Log.objects.select_related("session__revision__vehicle", "session__venue", "pending_import", "instrument")
    log = get_object_or_404(rows, pk=pk)
    if not log.is_table:
        messages.info(request, "A track says itself what its values mean. Its clock can be moved under Charts.")
        return redirect(log)
    query = request.POST if request.method == "POST" else request.GET
    layout_form = LayoutForm(query or None)
    context: dict[str, Any] = {
        "log": log,
        "session": log.session,
        "choices": CHOICES,
        "pending": getattr(log, "pending_import", None),
    }
    try:
        with open_content(log) as content:
            head = find_layout(
                content.file, content.size, PLAIN if log.kind in REWRITTEN else _corrections(log, layout_form)
            )
    except NotARecording as error:
        context |= {"problem": str(error), "layout_form": layout_form if layout_form.is_bound else LayoutForm()}
        return render(request, "logs/log_columns.html", context, status=422 if request.method == "POST" else 200)
    problem = ""
    instruments = list(log.session.revision.vehicle.instruments.all())
    log.instrument = _instrument(request, log, head, instruments)
    mapping, remembered = _mapping(request, log, head)
    doubts: FileDoubts | None = None
    if request.method == "POST" and ("read" in request.POST or "mend" in request.POST):
        try:
            mapping = _mended(mapping, request.POST.get("mend", ""))
            # A larger file would take longer to read through than a proxy waits; its page asks once it is imported, and
            # until somebody answers, no result rests on it.
            if log.size_bytes <= LARGEST_READ_AGAIN_BYTES:
                doubts = doubts_of_file(log, head, mapping, request.user.unit_system)
            if "mend" not in request.POST and _may_be_taken(request, doubts):
                Log.objects.filter(pk=log.pk).update(instrument=log.instrument)
                is_imported = import_jobs.import_log(log, head.layout, mapping)
                _keep_reason(request, log, doubts)
                if not is_imported:
                    return redirect(log)
                messages.success(request, f"Imported: {log.name}, {log.row_count} rows.")
                for note in log.notes:
                    messages.warning(request, note)
                return redirect("recordings", log.session_id)
        except NotARecording as error:
            problem = str(error)
            # It stays with the log; a log that was read before keeps its old columns.
            Log.objects.filter(pk=log.pk).update(problem=problem)
    layout = head.layout
    current_form = LayoutForm(
        initial={
            "encoding": layout.encoding,
            "delimiter": layout.delimiter,
            "decimal": layout.decimal,
            "first_line": layout.first_line,
        }
    )
    context |= {
        "problem": problem,
        "layout_form": None if log.kind in REWRITTEN else layout_form if layout_form.errors else current_form,
        "layout": layout,
        "remembered": remembered,
        "instruments": instruments,
        "columns": _column_rows(head, mapping, request.user.unit_system),
        "interval": request.POST.get("interval_s", "") or ("" if mapping.interval_s is None else mapping.interval_s),
        "doubts": doubts,
        "keep_others": bool(request.POST.get("keep_others")),
        "mended": "mend" in request.POST and not problem,
        "reason": request.POST.get("reason", "")[:300],
    }
    return render(request, "logs/log_columns.html", context, status=422 if problem else 200)


def _corrections(log: Log, form: LayoutForm) -> dict[str, Any] | None:
    """What a person said of how the file is written: in this form, or for an import that is not done."""
    if form.is_bound:
        return form.cleaned_data if form.is_valid() else None
    pending = getattr(log, "pending_import", None)
    return {name: pending.layout.get(name) for name in form.fields} if pending is not None else None


def _instrument(request: SignedInRequest, log: Log, head: Head, instruments: list[Instrument]) -> Instrument | None:
    """As posted; or as this log was read; or the one whose columns the file has, the one with most of them first."""
    if request.method == "POST":
        return next((row for row in instruments if str(row.pk) == request.POST.get("instrument")), None)
    if log.mapping or getattr(log, "pending_import", None) is not None:
        return log.instrument
    by_columns = sorted(instruments, key=lambda row: -len(row.known_columns))
    return next((row for row in by_columns if fits(row.known_columns, head.layout)), None)


def _mapping(request: SignedInRequest, log: Log, head: Head) -> tuple[Mapping, ColumnMapping | None]:
    """As posted; or as chosen for an import that is not done; or as this log was read; or by its instrument; or as
    files of this logger were read the last time; or as guessed."""
    if request.method == "POST":
        is_another = request.POST.get("instrument", "") != request.POST.get("instrument_was", "")
        if not is_another:
            return _posted(request, log, head), None
        if log.instrument is not None:
            return _by_instrument(log.instrument, head), None
        return guess(head.layout, head.rows, head.interval_s), None
    pending = getattr(log, "pending_import", None)
    try:
        if pending is not None and pending.mapping:
            return Mapping.from_json(pending.mapping), None
        if log.mapping:
            return Mapping.from_json(log.mapping), None
        if log.instrument is not None:
            return _by_instrument(log.instrument, head), None
        remembered = ColumnMapping.objects.filter(signature=signature_of(head.layout)).first()
        if remembered is not None:
            return Mapping.from_json(remembered.mapping), remembered
    except ValueError:
        # Written by hand in the database, or by another version: guessed again.
        pass
    return guess(head.layout, head.rows, head.interval_s), None


def _by_instrument(instrument: Instrument, head: Head) -> Mapping:
    return choices_in(instrument.known_columns, head.layout, instrument.interval_s)


def _mended(mapping: Mapping, button: str) -> Mapping:
    """The mapping with the choice of a pressed button in it."""
    if not button:
        return mapping
    try:
        return FileMend.applied(mapping, button[:200])
    except ValueError:
        raise NotARecording("That button is of an older page. Choose the columns again.") from None


def _may_be_taken(request: SignedInRequest, doubts: FileDoubts | None) -> bool:
    """A doubtful file is imported once somebody says why it is so."""
    return doubts is None or not doubts.doubts or bool(request.POST.get("reason", "").strip())


def _keep_reason(request: SignedInRequest, log: Log, doubts: FileDoubts | None) -> None:
    """Keep "it is so", with its reason, name and time, for each doubt of the file."""
    reason = request.POST.get("reason", "").strip()[:300]
    for doubt in doubts.doubts if doubts is not None else ():
        confirm(
            "log",
            log.pk,
            doubt.key,
            vehicle=log.session.revision.vehicle,
            values=doubt.values,
            reason=reason,
            confirmed_by=request.user.get_username(),
        )


def _posted(request: SignedInRequest, log: Log, head: Head) -> Mapping:
    """The choices of the page. It does not ask for scales: they are those of the instrument, or as the log was read."""
    scales = {}
    try:
        stored = _by_instrument(log.instrument, head) if log.instrument else Mapping.from_json(log.mapping)
        scales = {(choice.index, choice.meaning): choice.scale for choice in stored.choices}
    except ValueError:
        # Never read before.
        pass
    choices = []
    for index in range(head.layout.width):
        choice = choice_of(index, request.POST.get(f"column_{index}", IGNORE))
        if choice is not None:
            choices.append(replace(choice, scale=scales.get((index, choice.meaning), 1.0)))
        elif request.POST.get("keep_others") and _holds_numbers(head, index):
            choices.append(ColumnChoice(index, OTHER, PLAIN_NUMBER))
    interval_text = request.POST.get("interval_s", "").strip().replace(",", ".")
    try:
        interval = float(interval_text) if interval_text else None
    except ValueError:
        # Out of range on purpose, so that the reader reports the allowed range.
        interval = 0.0
    return Mapping(tuple(choices), interval)


def _holds_numbers(head: Head, index: int) -> bool:
    cells = [row[index] for row in head.rows if row[index]]
    return bool(cells) and all(number_in(cell, head.layout) is not None for cell in cells)


def _understood(value: float, choice: ColumnChoice, system: str) -> str:
    return f"{value:g}" if choice.meaning == OTHER else written(value, BY_COLUMN[choice.meaning].kind, system, digits=4)


def _column_rows(head: Head, mapping: Mapping, system: str) -> list[ColumnRow]:
    by_index = {choice.index: choice for choice in mapping.choices}
    stored_as = mapping.columns()
    understood = first_row(head, mapping, timezone.get_default_timezone())
    rows = []
    for index, name in enumerate(head.layout.names):
        choice = by_index.get(index)
        value = understood.get(stored_as[choice]) if choice else None
        if isinstance(value, float):
            value_text = _understood(value, choice, system) if choice is not None else ""
        else:
            value_text = value or ""
        cells = [row[index] for row in head.rows[:SHOWN_ROWS]]
        rows.append(
            ColumnRow(
                index,
                name,
                head.layout.units[index],
                cells,
                value_of(choice) if choice else IGNORE,
                value_text,
                "" if choice is None or choice.scale == 1 else f"{choice.scale:.6g}".replace("-", "−"),
            )
        )
    return rows
