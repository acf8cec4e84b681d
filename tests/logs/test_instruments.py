"""Instruments: a file with their columns is read as they say, and tried against what they can give."""

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from sessions.logs.instrument_columns import InstrumentColumn
from sessions.models import Instrument, Log
from tests.filled_forms import opened
from tests.logs.whole_logs import whole_columns

FILE = b"time [s],U [V],I [A],spare\n" + b"".join(b"%d,%.1f,%d,7\n" % (n, 52 - n % 3, -10 - n) for n in range(40))


@pytest.fixture
def logger(vehicle):
    columns = [
        InstrumentColumn("time", "s", "time_s", "seconds"),
        InstrumentColumn("U", "V", "voltage_v", "V", scale=1.02, lowest=40.0, highest=60.0),
        InstrumentColumn("I", "A", "current_a", "A", flipped=True, lowest=-30.0, highest=120.0),
    ]
    return Instrument.objects.create(
        vehicle=vehicle, name="Pack logger", columns=[column.as_json() for column in columns]
    )


@pytest.fixture
def session(session):
    """As short as the file, so that nothing but the instrument is asked about."""
    session.runtime_s = 60.0
    session.save()
    return session


def send(client, session, content, name="ride.csv"):
    client.post(f"/sessions/{session.pk}/new-log/", {"file": SimpleUploadedFile(name, content)})
    return Log.objects.get(name=name)


def as_shown(client, log):
    """What the page of the columns sends when it is left as it is."""
    page = client.get(f"/sessions/logs/{log.pk}/columns/").context
    form = {f"column_{column.index}": column.chosen for column in page["columns"]}
    chosen = str(page["log"].instrument.pk) if page["log"].instrument else ""
    return form | {"instrument": chosen, "instrument_was": chosen, "encoding": page["layout"].encoding,
                   "delimiter": page["layout"].delimiter, "decimal": page["layout"].decimal,
                   "first_line": page["layout"].first_line}  # fmt: skip


def import_as_shown(client, log, **more):
    return client.post(f"/sessions/logs/{log.pk}/columns/", as_shown(client, log) | {"read": "yes"} | more)


def test_a_file_with_its_columns_is_read_as_it_says(session, logger, sign_in):
    client = sign_in("recorder")
    log = send(client, session, FILE)
    page = client.get(f"/sessions/logs/{log.pk}/columns/").content.decode()
    assert "As said of the instrument Pack logger" in page
    assert "× 1.02, by the instrument" in page
    assert import_as_shown(client, log).status_code == 302
    log.refresh_from_db()
    columns = whole_columns(log)
    assert log.instrument == logger
    assert set(columns) == {"time_s", "voltage_v", "current_a"}
    assert columns["voltage_v"][:2] == pytest.approx([1.02 * 52, 1.02 * 51])
    assert columns["current_a"][0] == 10.0
    assert log.summary["instrument_misfits"] == 0
    assert "Pack logger" in client.get(f"/sessions/logs/{log.pk}/").content.decode()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (FILE.replace(b",51.0,", b",71.0,"), "U reaches 72.42 V; expected is 40 V to 60 V."),
        (FILE.replace(b",51.0,", b",21.0,"), "U goes down to 21.42 V; expected is 40 V to 60 V."),
        (FILE.replace(b"U [V]", b"U [mV]"), "U is in mV here, and in V in the instrument"),
    ],
)
def test_a_file_that_does_not_fit_its_instrument_is_doubted_first(content, words, session, logger, sign_in):
    client = sign_in("recorder")
    log = send(client, session, content)
    answer = import_as_shown(client, log)
    assert answer.status_code == 200
    page = answer.content.decode()
    assert "Checks of its instrument that do not hold: 1." in page
    assert words in page
    log.refresh_from_db()
    assert not log.is_read
    # "It is so" imports it; what did not hold stays with it.
    assert import_as_shown(client, log, reason="The new shunt").status_code == 302
    log.refresh_from_db()
    assert [note for note in log.notes if words in note]
    assert log.summary["instrument_misfits"] == 1


def test_a_unit_that_explains_it_is_one_tap_away(session, logger, sign_in):
    client = sign_in("recorder")
    log = send(client, session, FILE.replace(b",52.0,", b",52000,").replace(b",51.0,", b",51000,").replace(
        b",50.0,", b",50000,"))  # fmt: skip
    answer = import_as_shown(client, log)
    mends = [mend for mend in answer.context["doubts"].mends if "in mV, not V" in mend.words]
    assert len(mends) == 1
    mended = client.post(f"/sessions/logs/{log.pk}/columns/", as_shown(client, log) | {"mend": mends[0].value})
    assert mended.context["doubts"].doubts == []


def test_a_file_that_lacks_a_column_is_not_taken_for_its_own(session, logger, sign_in):
    client = sign_in("recorder")
    log = send(client, session, FILE.replace(b"I [A]", b"amps"))
    form = as_shown(client, log)
    assert form["instrument"] == ""
    # Somebody says that it is of it all the same.
    form |= {"instrument": str(logger.pk), "look": "yes"}
    page = client.post(f"/sessions/logs/{log.pk}/columns/", form)
    assert [column.chosen for column in page.context["columns"]] == [
        "time_s|seconds", "voltage_v|V", "ignore", "ignore",
    ]  # fmt: skip
    form |= {"instrument_was": str(logger.pk), "read": "yes", "column_2": "ignore"}
    answer = client.post(f"/sessions/logs/{log.pk}/columns/", form)
    assert "I is missing in this file." in answer.content.decode()


def test_results_of_a_log_that_does_not_fit_are_in_doubt_until_somebody_says_it_is_so(session, logger, sign_in):
    from calc.doubts.check import check
    from calc.doubts.consequences import facts_in_doubt
    from calc.doubts.subjects import SUBJECTS
    from sessions.evidence.doubt_facts import MachineRows

    client = sign_in("recorder")
    log = send(client, session, FILE)
    import_as_shown(client, log)
    Log.objects.filter(pk=log.pk).update(summary=Log.objects.get().summary | {"instrument_misfits": 2})
    rows = MachineRows.of_session(session).logs
    checked = check(SUBJECTS["log"], rows.known)
    assert facts_in_doubt(checked)["charge_ah"].tolist() == [True]


def test_a_log_is_kept_as_an_instrument_and_its_checks_are_edited(session, sign_in):
    client = sign_in("builder")
    log = send(client, session, FILE)
    page = f"/sessions/logs/{log.pk}/new-instrument/"
    form = opened(client, page)
    assert (form["name-1"], form["header_unit-1"], form["taken_as-1"]) == ("U", "V", "voltage_v|V")
    client.post(page, {**form, "name": "Pack logger", "lowest-1": "40 V", "highest-1": "0.06 kV", "scale-1": "1,02"})
    instrument = Instrument.objects.get()
    column = instrument.known_columns[1]
    assert (column.lowest, column.highest, column.scale) == (40.0, 60.0, 1.02)
    assert Log.objects.get().instrument == instrument
    edit = f"/instruments/{instrument.pk}/edit/"
    form = opened(client, edit)
    last = len(instrument.columns)
    added = {f"name-{last}": "spare", f"taken_as-{last}": "other|as it stands", f"highest-{last}": "9"}
    assert client.post(edit, {**form, **added, "name-2": ""}).status_code == 302
    instrument.refresh_from_db()
    assert [column.name for column in instrument.known_columns] == ["time", "U", "spare"]
    shown = client.get(f"/vehicles/{instrument.vehicle_id}/instruments/").content.decode()
    assert "40 V to 60 V" in shown
    assert "at most 9" in shown


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"lowest-1": "warm"}, "is not a"),
        ({"lowest-1": "70 V", "highest-1": "60 V"}, "its lowest value is a number below its highest"),
        ({"scale-1": "0"}, "a scale is a number other than 0"),
        ({"lowest-0": "0"}, "a time has no lowest or highest value"),
        ({"taken_as-1": "current_a|A"}, "two columns are taken for pack current"),
        ({"taken_as-1": "ignore", "taken_as-2": "ignore"}, "No column holds a measured value"),
        ({"name": ""}, "This field is required"),
    ],
)
def test_a_slip_is_said_and_nothing_typed_is_lost(typed, words, session, sign_in):
    client = sign_in("builder")
    log = send(client, session, FILE)
    page = f"/sessions/logs/{log.pk}/new-instrument/"
    answer = client.post(page, {**opened(client, page), "name": "Pack logger", **typed})
    assert answer.status_code == 422
    text = answer.content.decode()
    assert words in text
    assert all(str(value) in text for value in typed.values() if value)
    assert not Instrument.objects.exists()


@pytest.mark.parametrize(
    "columns",
    [[], "U", [1], [{"name": "U"}], [{"name": "U", "header_unit": "", "meaning": "soul", "unit": "V"}],
     [{"name": "U", "header_unit": "", "meaning": "voltage_v", "unit": "A"}],
     [{"name": "U", "header_unit": "", "meaning": "voltage_v", "unit": "V", "scale": "2"}],
     [{"name": "U", "header_unit": "", "meaning": "voltage_v", "unit": "V", "flipped": True}],
     [{"name": "U", "header_unit": "", "meaning": "voltage_v", "unit": "V", "why": 1}]],
)  # fmt: skip
def test_the_api_refuses_what_are_no_columns(columns, vehicle, sign_in):
    answer = sign_in("builder").post(
        "/api/v1/instruments/", {"vehicle": str(vehicle.pk), "name": "L", "columns": columns}, "application/json"
    )
    assert answer.status_code == 400
    assert "columns" in answer.json()
