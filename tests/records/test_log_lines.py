"""The line in the log that each change leaves."""

import json
import logging

import pytest

from buildlog.hosting.request_log import PlainLines, logging_settings
from buildlog.models import (
    DeviceToken,
)
from sessions.models import Venue
from tests.filled_forms import opened
from tests.records.crew import hang, removed_by_api

# --- lines in the log


@pytest.fixture
def lines(django_capture_on_commit_callbacks):
    """What the server writes in plain form, with the levels of that form, while something is done."""

    def lines_of(do):
        data = logging_settings("plain")
        held = []
        handler = logging.Handler()
        handler.setFormatter(PlainLines(data["formatters"]["plain"]["format"]))
        handler.emit = lambda record: held.append(handler.format(record))
        loggers = {name: logging.getLogger(name) for name in ("buildlog", "buildlog.records")}
        levels = {name: item.level for name, item in loggers.items()}
        for name, item in loggers.items():
            item.setLevel(data["loggers"][name]["level"])
        loggers["buildlog"].addHandler(handler)
        try:
            with django_capture_on_commit_callbacks(execute=True):
                do()
        finally:
            loggers["buildlog"].removeHandler(handler)
            for name, item in loggers.items():
                item.setLevel(levels[name])
        return [line.partition("INFO ")[2] for line in held if "INFO" in line]

    return lines_of


def test_a_removal_is_a_line_with_who_what_and_what_went_along(as_, session, gate, oona, lines):
    hang(session, oona, gate)
    words = f"{session.pk} ({session})"
    [line] = lines(lambda: as_["oona"].post(f"/sessions/{session.pk}/remove/"))
    assert line == (f"account {oona.pk} removed session {words}, and with it 1 passes, 1 readings, 1 track parts")
    [line] = lines(lambda: removed_by_api(as_["oona"], "venues", Venue.objects.get()))
    assert line.startswith(f"account {oona.pk} removed venue ")


def test_a_change_is_a_line_with_who_what_and_which_fields(as_, session, mara, lines):
    path = f"/sessions/{session.pk}/edit/"
    form = opened(as_["mara"], path)
    [line] = lines(lambda: as_["mara"].post(path, {**form, "charge_used_ah": "8.4", "notes": "Secret of ours"}))
    assert line == f"account {mara.pk} changed session {session.pk} ({session}): charge_used_ah, notes"
    data = {"notes": "Other", "version": as_["mara"].get(f"/api/v1/sessions/{session.pk}/").json()["version"]}
    path = f"/api/v1/sessions/{session.pk}/"
    [line] = lines(lambda: as_["mara"].patch(path, json.dumps(data), content_type="application/json"))
    assert line == f"account {mara.pk} changed session {session.pk} ({session}): notes"
    assert lines(lambda: as_["mara"].put(path, as_["mara"].get(path).content, content_type="application/json")) == []


def test_what_was_refused_or_not_changed_is_no_line(as_, session, mara, lines):
    path = f"/sessions/{session.pk}/edit/"
    form = opened(as_["mara"], path)
    assert lines(lambda: as_["mara"].post(path, form)) == []
    assert lines(lambda: as_["mara"].post(path, {**form, "charge_used_ah": "lots"})) == []
    assert lines(lambda: as_["mara"].post(f"/sessions/{session.pk}/remove/")) == []
    old = {"notes": "Other", "version": "f" * 32}
    path = f"/api/v1/sessions/{session.pk}/"
    assert lines(lambda: as_["mara"].patch(path, json.dumps(old), content_type="application/json")) == []


def test_a_device_s_change_says_which_it_was(client, session, reading, oona, lines):
    rights = {"may_log": True, "may_read": True}
    device, key = DeviceToken.issue(name="Pit", vehicle=session.revision.vehicle, account=oona, **rights)
    bearer = {"Authorization": f"Bearer {key}"}
    path = f"/api/v1/readings/{reading.pk}/"
    data = {"note": "Hot", "version": client.get(path, headers=bearer).json()["version"]}
    send = lambda: client.patch(path, json.dumps(data), content_type="application/json", headers=bearer)  # noqa: E731
    [line] = lines(send)
    assert line.startswith(f"account {oona.pk}, device {device.pk} changed reading {reading.pk}")


def test_a_recording_that_is_moved_is_a_line(as_, log, oona, lines):
    values = {"clock": "hand", "begins": "12.5 s"}
    [line] = lines(lambda: as_["oona"].post(f"/sessions/logs/{log.pk}/place/", values))
    assert line == f"account {oona.pk} changed log {log.pk} (track.gpx): begins_into_session_s, clock"


def test_a_command_says_that_it_was_one(db, lines):
    from sessions.demo import loading

    loading.load()
    [line] = lines(loading.remove)
    assert line.startswith("a command removed vehicle ")


def test_a_name_cannot_begin_a_line_of_its_own(as_, venue, lines):
    Venue.objects.update(name="Bay\n2026-01-01 00:00:00,000Z ERROR forged\x1b[2J")
    [line] = lines(lambda: removed_by_api(as_["oona"], "venues", venue))
    assert "\n" not in line
    assert "\x1b" not in line
