"""Import of an old notebook: files of other programs, what would be stored, all or nothing, and taking it back."""

import csv
import io
import random
from datetime import UTC, date, datetime, time

import openpyxl
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from buildlog.models import Failure, FailureMode, Revision
from sessions.models import NotebookImport, Session, Venue
from sessions.sharing.notebook_columns import guessed
from sessions.sharing.notebook_file import NotATable, read_cells
from sessions.sharing.notebook_rows import day_order
from tests.filled_forms import fields_of

HEADINGS = ["Date", "Time", "Place", "Rev", "Distance (km)", "Duration (min)", "Ah", "V before", "V after", "Remarks"]
ROWS = [
    ["17.1.2026", "11:00", "Test lake", "R1", "4,7", "35", "3,8", "58", "52,4", "Clear"],
    ["24.1.2026", "", "North shore", "1", "10,2", "0:42", "8", "58.1", "50", ""],
]


def as_csv(rows, delimiter=";"):
    """Written by the csv module of Python's standard library."""
    buffer = io.StringIO()
    csv.writer(buffer, delimiter=delimiter).writerows(rows)
    return buffer.getvalue().encode()


def as_xlsx(rows, *before):
    """Written by openpyxl 3.1, another library than the one that reads."""
    book = openpyxl.Workbook()
    for title in before:
        book.active.title = title
        book.create_sheet("data")
    for row in rows:
        book.worksheets[-1].append(row)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def uploaded(client, vehicle, content, name="old.csv"):
    answer = client.post("/sessions/import/", {"vehicle": vehicle.pk, "file": SimpleUploadedFile(name, content)})
    assert answer.status_code == 302, answer.context["form"].errors
    return answer.url


@pytest.fixture
def builder(sign_in):
    return sign_in("builder")


def stored(client, page, **changes):
    form = fields_of(client.get(page))
    return client.post(page, {**form, **changes, "do": "store"})


def test_a_csv_of_another_program_becomes_sessions(builder, revision, venue):
    Revision.objects.filter(pk=revision.pk).update(date=date(2026, 1, 1))
    page = uploaded(builder, revision.vehicle, as_csv([HEADINGS, *ROWS]))
    seen = builder.get(page)
    assert [(column.meaning, column.unit) for column in seen.context["columns"]] == [
        ("day", ""), ("time", ""), ("venue", ""), ("revision", ""), ("distance_m", "km"), ("runtime_s", "min"),
        ("charge_used_ah", "Ah"), ("rest_voltage_start_v", "V"), ("rest_voltage_end_v", "V"), ("notes", ""),
    ]  # fmt: skip
    assert not Session.objects.exists(), "nothing is stored before somebody says so"
    assert stored(builder, page).url == page
    first, second = Session.objects.order_by("started_at")
    assert (first.started_at, first.venue, first.revision) == (datetime(2026, 1, 17, 11, tzinfo=UTC), venue, revision)
    assert (first.distance_m, first.runtime_s, first.charge_used_ah) == (4700.0, 2100.0, 3.8)
    assert (first.rest_voltage_start_v, first.rest_voltage_end_v, first.notes) == (58.0, 52.4, "Clear")
    # "0:42" of minutes is 42 min, as everywhere in the log; a day without its time is stored as of noon.
    assert (second.runtime_s, second.started_at.hour, second.venue.name) == (2520.0, 12, "North shore")


def test_a_spreadsheet_with_typed_cells_says_the_same(builder, revision):
    rows = [["Day", "Start time", "Venue", "Distance mi", "Air (°F)"]]
    rows.append([date(2026, 1, 17), time(9, 30), "Test lake", 3.5, 14])
    rows.append([datetime(2026, 1, 18, 15, 45), None, "Test lake", 4, -4.0])
    page = uploaded(builder, revision.vehicle, as_xlsx(rows, "not this sheet"), "old.xlsx")
    assert stored(builder, page).status_code == 302
    first, second = Session.objects.order_by("started_at")
    assert first.started_at == datetime(2026, 1, 17, 9, 30, tzinfo=UTC)
    assert second.started_at == datetime(2026, 1, 18, 15, 45, tzinfo=UTC)
    # NIST SP 811 (2008), B.8: 1 mi = 1609.344 m; 14 °F = −10 °C and −4 °F = −20 °C.
    assert first.distance_m == pytest.approx(3.5 * 1609.344)
    assert (first.air_temperature_c, second.air_temperature_c) == pytest.approx((-10.0, -20.0))


def test_a_published_spreadsheet_is_read_as_its_publisher_says():
    """agate-excel 0.4.2 (MIT), examples/test.xlsx: 4 × 5 with a heading, row 2 = 1, 'a', True, 2015-11-04, 2015-11-04
    12:22, read alike by openpyxl and calamine. The table is written here anew by openpyxl."""
    table = [
        ["number", "text", "boolean", "date", "datetime"],
        [1, "a", True, date(2015, 11, 4), datetime(2015, 11, 4, 12, 22)],
        [2, "👍", False, date(2015, 11, 5), datetime(2015, 11, 4, 12, 45)],
        [None, "b", None, None, None],
    ]
    cells = read_cells(as_xlsx(table), "test.xlsx")
    assert (len(cells), len(cells[0])) == (4, 5)
    assert cells[1] == ["1", "a", "yes", "2015-11-04", "2015-11-04 12:22:00"]


def test_all_or_nothing(builder, revision, venue):
    Revision.objects.filter(pk=revision.pk).update(date=date(2026, 1, 1))
    bad = ["31.1.2026", "10:00", "Test lake", "R1", "12 V", "35", "", "", "", ""]
    page = uploaded(builder, revision.vehicle, as_csv([HEADINGS, ROWS[0], bad]))
    answer = stored(builder, page)
    assert answer.status_code == 422
    assert "Row 3: Distance ridden: “12 V” is not a distance" in answer.content.decode()
    assert not Session.objects.exists()
    assert not Venue.objects.exclude(pk=venue.pk).exists()
    assert stored(builder, page, left_out="3").status_code == 302
    assert Session.objects.count() == 1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({0: "30.2.2026"}, "no day of a calendar"),
        ({0: "soon"}, "is not a day"),
        ({0: "17.1.2099"}, "in the future"),
        ({1: "25:00"}, "not a time of day"),
        ({2: ""}, "names no venue"),
        ({3: "R9"}, "no revision “R9”"),
        ({5: "-5"}, "must be more than"),
        ({6: "lots"}, "not a charge"),
        ({0: "1.1.2020", 3: ""}, "No revision is as old"),
    ],
)
def test_a_row_that_cannot_be_is_named(builder, revision, venue, change, words):
    Revision.objects.filter(pk=revision.pk).update(date=date(2026, 1, 1))
    row = [change.get(index, cell) for index, cell in enumerate(ROWS[0])]
    answer = stored(builder, uploaded(builder, revision.vehicle, as_csv([HEADINGS, row, ROWS[1]])))
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert not Session.objects.exists()


def test_doubts_are_shown_before_anything_is_stored(builder, revision, venue, battery):
    from buildlog.models import Fitting

    Revision.objects.filter(pk=revision.pk).update(date=date(2026, 1, 1))
    Fitting.objects.create(revision=revision, part=battery, quantity=1, series=1, parallel=1)
    slip = ["17.1.2026", "11:00", "Test lake", "R1", "4,7", "35", "80", "58", "52,4", ""]
    page = uploaded(builder, revision.vehicle, as_csv([HEADINGS, slip]))
    text = builder.get(page).content.decode()
    assert "Row 2: 80 Ah were used, but the full pack holds 12 Ah" in text
    assert not Session.objects.exists()
    assert stored(builder, page).status_code == 302


def test_what_is_there_already_is_not_stored_twice(builder, revision, venue):
    Revision.objects.filter(pk=revision.pk).update(date=date(2026, 1, 1))
    content = as_csv([HEADINGS, *ROWS])
    stored(builder, uploaded(builder, revision.vehicle, content))
    answer = stored(builder, uploaded(builder, revision.vehicle, content))
    assert "There is a session of 2026-01-17 11:00 already" in answer.content.decode()
    page = NotebookImport.objects.exclude(state="waiting").get().get_absolute_url()
    assert builder.post(page, {"do": "store"}).status_code == 200
    assert Session.objects.count() == 2


def test_an_import_is_undone_whole(builder, revision, venue):
    Revision.objects.filter(pk=revision.pk).update(date=date(2026, 1, 1))
    page = uploaded(builder, revision.vehicle, as_csv([HEADINGS, *ROWS]))
    stored(builder, page)
    builder.post(f"{page}undo/")
    assert not Session.objects.exists()
    assert list(Venue.objects.all()) == [venue], "the venue that was there stays, the new one goes"
    assert NotebookImport.objects.get().state == "undone"


@pytest.mark.parametrize("change", ["edited", "failure"])
def test_what_was_changed_since_keeps_an_import_from_being_undone(builder, revision, venue, change):
    Revision.objects.filter(pk=revision.pk).update(date=date(2026, 1, 1))
    page = uploaded(builder, revision.vehicle, as_csv([HEADINGS, *ROWS]))
    stored(builder, page)
    session = Session.objects.order_by("started_at").last()
    if change == "edited":
        Session.objects.filter(pk=session.pk).update(notes="Corrected")
    else:
        mode = FailureMode.called("chain came off")
        Failure.objects.create(revision=revision, session=session, mode=mode, severity=3)
    text = builder.post(f"{page}undo/", follow=True).content.decode()
    assert "Nothing is removed" in text
    assert Session.objects.count() == 2
    assert NotebookImport.objects.get().state == "stored"


def test_days_that_could_be_written_two_ways_are_asked_about(builder, revision, venue):
    rows = [["Date", "Place", "km"], ["3/4/2026", "Test lake", "4"]]
    Revision.objects.filter(pk=revision.pk).update(date=date(2026, 1, 1))
    page = uploaded(builder, revision.vehicle, as_csv(rows, ","))
    assert "Say how the days are written" in builder.get(page).content.decode()
    assert stored(builder, page, order="mdy").status_code == 302
    assert Session.objects.get().started_at.date() == date(2026, 3, 4)
    assert day_order(["3/4/2026", "13/4/2026"]) == "dmy"
    assert day_order(["3/4/2026", "4/13/2026"]) == "mdy"
    assert day_order(["2026-04-03"]) == "ymd"


def test_files_of_other_kinds_are_refused_in_a_sentence(builder, revision):
    draw = random.Random(7)
    files = [b"", b"one cell", b"%PDF-1.7\n,,\n,,", b"PK\x03\x04 not a zip", b"\xd0\xcf\x11\xe0" + draw.randbytes(600)]
    files += [draw.randbytes(300) for _ in range(20)]
    for content in files:
        sent = {"vehicle": revision.vehicle.pk, "file": SimpleUploadedFile("x.xlsx", content)}
        answer = builder.post("/sessions/import/", sent)
        assert answer.status_code in (302, 422)
    with pytest.raises(NotATable, match="at most 5 MB"):
        read_cells(b"a,b\n" * 2_000_000, "x.csv")


def test_headings_are_understood_by_their_words_and_units():
    headings = ["Datum", "ridden miles", "Wh at the wall", "Ice cm", "Rest voltage after (mV)", "Wind m/s", "mood"]
    assert guessed(headings) == {
        0: ("day", ""),
        1: ("distance_m", "miles"),
        2: ("recharge_energy_wh", "Wh"),
        3: ("ice_thickness_cm", "cm"),
        4: ("rest_voltage_end_v", "mV"),
        5: ("wind_speed_mps", "m/s"),
    }
