"""Import of an old notebook: the file, its columns on one page with what would be stored, and taking it back."""

from __future__ import annotations

import uuid
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST

from buildlog.machines.models import Revision, Vehicle
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, needs
from buildlog.people.signed_in import SignedInRequest
from sessions.sharing.models import NotebookImport
from sessions.sharing.notebook_columns import MEANINGS, SEVERAL, Column, guessed, unit_in, units_of
from sessions.sharing.notebook_file import LARGEST_BYTES, NotATable, read_cells
from sessions.sharing.notebook_imports import NotUndone, preview, store, undo
from sessions.sharing.notebook_rows import ORDERS, Wanted, day_order

SHOWN_ROWS = 20
SHOWN_SAMPLES = 3
STORE = "store"


class NotebookForm(forms.Form):
    vehicle = forms.ModelChoiceField(Vehicle.objects.all(), label="Machine", empty_label="Choose one")
    file = forms.FileField(
        label="Spreadsheet or CSV",
        help_text="One row for each session, under a row of headings. XLSX, XLS, ODS or CSV, up to 5 MB.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if Vehicle.objects.count() == 1:
            self.initial["vehicle"] = Vehicle.objects.first()

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        file, vehicle = cleaned.get("file"), cleaned.get("vehicle")
        if vehicle is not None and not Revision.objects.filter(vehicle=vehicle).exists():
            self.add_error("vehicle", f"{vehicle} has no revision yet, and a session is of one. Make it first.")
        if file is not None:
            try:
                self.cells = read_cells(file.read(LARGEST_BYTES + 1), file.name)
            except NotATable as error:
                self.add_error("file", str(error))
        return cleaned


@form_page
@needs(Right.BUILD)
def import_notebook(request: SignedInRequest) -> HttpResponse:
    """Take the file in; nothing of it is stored as a session yet."""
    form = NotebookForm(request.POST, request.FILES) if request.method == "POST" else NotebookForm()
    if request.method == "POST" and form.is_valid():
        name, vehicle = form.cleaned_data["file"].name[:120], form.cleaned_data["vehicle"]
        return redirect(NotebookImport.objects.create(name=name, vehicle=vehicle, cells=form.cells))
    earlier = NotebookImport.objects.select_related("vehicle", "made_by").defer("cells")[:SHOWN_ROWS]
    context = {"form": form, "earlier": earlier}
    return render(request, "sharing/import_notebook.html", context, status=422 if form.errors else 200)


@form_page
@needs(Right.BUILD)
def notebook(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Match the columns, see what would be stored and what is doubted, and store it: all or nothing."""
    notebook = get_object_or_404(NotebookImport.objects.select_related("vehicle"), pk=pk)
    if notebook.state != NotebookImport.State.WAITING:
        return render(request, "sharing/notebook.html", {"notebook": notebook})
    asked = request.POST if request.method == "POST" else QueryDict()
    columns, repeated = _columns(notebook, asked)
    days = [row[column.index] for column in columns if column.meaning == "day" for row in notebook.cells[1:]]
    order = asked.get("order", "") or day_order(days)
    wanted = Wanted(
        meanings={column.index: column.meaning for column in columns if column.meaning},
        units={column.index: column.unit for column in columns},
        vehicle=notebook.vehicle,
        order=order if order in ORDERS else "ymd",
        venue=asked.get("venue", "").strip(),
        left_out=frozenset(int(text) for text in _numbers(asked.get("left_out", ""))),
    )
    missing = _missing(wanted, order, repeated)
    status = 200
    seen = None
    if not missing:
        if asked.get("do") == STORE:
            seen = store(notebook, wanted)
            if seen is None:
                messages.success(request, f"{notebook.name} is stored. It can be undone on this page.")
                return redirect(notebook)
            status = 422
        seen = preview(notebook.cells, wanted, request.user.unit_system)
    context = {
        "notebook": notebook,
        "columns": columns,
        "meanings": MEANINGS.items(),
        "orders": ORDERS.items(),
        "order": order,
        "venue": wanted.venue,
        "left_out": asked.get("left_out", ""),
        "missing": missing,
        "seen": seen,
        "shown": seen.reading.sessions[:SHOWN_ROWS] if seen else [],
        "row_count": len(notebook.cells) - 1,
    }
    return render(request, "sharing/notebook.html", context, status=status)


def _columns(notebook: NotebookImport, asked: QueryDict) -> tuple[list[Column], list[str]]:
    """The columns as they were chosen, or as their headings suggest; and meanings that were chosen twice."""
    headings, rows = notebook.cells[0], notebook.cells[1:]
    guesses = guessed(headings)
    columns: list[Column] = []
    for index, heading in enumerate(headings):
        meaning, unit = guesses.get(index, ("", ""))
        if f"meaning_{index}" in asked:
            chosen = asked[f"meaning_{index}"]
            meaning = chosen if chosen in MEANINGS else ""
            unit = asked.get(f"unit_{index}", "")
        units = units_of(meaning)
        unit = unit if unit in units else unit_in(heading, meaning)
        samples = tuple([row[index] for row in rows if row[index]][:SHOWN_SAMPLES])
        columns.append(Column(index, heading, samples, meaning, unit))
    chosen_meanings = [column.meaning for column in columns if column.meaning and column.meaning not in SEVERAL]
    return columns, sorted({MEANINGS[name] for name in chosen_meanings if chosen_meanings.count(name) > 1})


def _missing(wanted: Wanted, order: str, repeated: list[str]) -> list[str]:
    """What has to be chosen before rows can be read."""
    meanings = set(wanted.meanings.values())
    lacking = [f"Two columns are taken for “{label}”. Choose one of them." for label in repeated]
    if "day" not in meanings:
        lacking.append("Choose the column that has the day of each session.")
    elif not order:
        lacking.append("Say how the days are written: 3/4/2026 can be in March or in April.")
    if "venue" not in meanings and not wanted.venue:
        lacking.append("Choose the column that has the venue, or write one venue for all rows.")
    return lacking


def _numbers(text: str) -> list[str]:
    return [word for word in text.replace(",", " ").split() if word.isascii() and word.isdigit() and len(word) < 6]


@require_POST
@needs(Right.BUILD)
def undo_notebook(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    """Remove what an import made, if nothing of it was changed since; one that waits is dropped."""
    notebook = get_object_or_404(NotebookImport.objects.select_related("vehicle"), pk=pk)
    if notebook.state == NotebookImport.State.WAITING:
        notebook.delete()
        messages.success(request, "The file is dropped. Nothing of it had been stored.")
        return redirect("import_notebook")
    try:
        count = undo(notebook, request.user)
    except NotUndone as error:
        messages.warning(request, str(error))
    else:
        messages.success(request, f"Undone: {count} sessions removed.")
    return redirect(notebook)
