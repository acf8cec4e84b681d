"""Imports in the background: done once, whoever looks; cancelled, broken off, taken up again; no choice is lost."""

import errno
import io
import uuid
import zipfile
from datetime import timedelta

import numpy as np
import pytest
from django.utils import timezone

from sessions.logs import import_jobs
from sessions.logs.column_guess import guess
from sessions.models import Log, LogImport
from sessions.sharing import archive
from tests.logs.test_gpx import gpx, point
from tests.logs.test_logger_files import GOOD, post_columns, send
from tests.logs.test_logger_files import look as look_at
from tests.logs.whole_logs import whole_columns


@pytest.fixture(autouse=True)
def every_file_is_large(monkeypatch):
    monkeypatch.setattr(import_jobs, "AT_ONCE_BYTES", 100)
    monkeypatch.setattr(import_jobs, "RENEW_AFTER_S", 0.0)


@pytest.fixture
def asked(session, sign_in):
    """A logger's file of which the import is asked for."""
    send(sign_in("recorder"), session, GOOD)
    return Log.objects.get()


def do_in_this_process(claim):
    import_jobs.do(LogImport.objects.get(claim=claim))
    return 0


def ends_at_once(_claim):
    return -9


def look(client, log):
    return client.get(f"/sessions/logs/{log.pk}/import-progress/").json()


def test_a_large_file_is_answered_before_it_is_read(asked, client):
    answer = post_columns(client, asked, column_2="current_a|A|flipped")
    assert (answer.status_code, answer.url) == (302, asked.get_absolute_url())
    page = client.get(answer.url).content.decode()
    assert "The import waits for its turn." in page
    assert '<noscript><meta http-equiv="refresh"' in page
    assert look(client, asked)["state"] == "waiting"
    assert "is being imported" in client.get(f"/sessions/{asked.session_id}/recordings/").content.decode()
    assert import_jobs.do_next(do_in_this_process)
    asked.refresh_from_db()
    assert (asked.state, asked.row_count) == ("read", 40)
    assert whole_columns(asked)["current_a"][0] == -10.0
    assert not LogImport.objects.exists()
    assert look(client, asked) == {"state": "done"}
    assert "Being imported" not in client.get(answer.url).content.decode()
    assert not import_jobs.do_next(do_in_this_process)


def test_a_small_file_is_read_at_once(asked, client, monkeypatch):
    monkeypatch.setattr(import_jobs, "AT_ONCE_BYTES", 10_000)
    assert post_columns(client, asked).url == f"/sessions/{asked.session_id}/recordings/"
    assert not LogImport.objects.exists()


def test_what_cannot_be_chosen_is_said_at_once(asked, client):
    answer = post_columns(client, asked, column_0="ignore")
    assert answer.status_code == 422
    assert "No column is taken for the time" in answer.context["problem"]
    assert not LogImport.objects.exists()


def test_a_large_track_is_imported_in_the_background(session, sign_in):
    client = sign_in("recorder")
    answer = send(client, session, gpx(point(60, 25, 0), point(60.001, 25, 10)), "ride.gpx")
    assert "waits for its turn" in client.get(answer.url).content.decode()
    import_jobs.do_next(do_in_this_process)
    assert Log.objects.get().row_count == 2
    client.post(f"/sessions/logs/{Log.objects.get().pk}/read/")
    assert LogImport.objects.get().state == "waiting"


def test_nobody_does_what_another_has_claimed(asked, client):
    post_columns(client, asked)
    job = import_jobs.claim_next()
    assert import_jobs.claim_next() is None
    # Its process says that it works on, so the claim holds for longer.
    LogImport.objects.update(claimed_until=timezone.now() + timedelta(seconds=1))
    import_jobs.do(job)
    assert Log.objects.get().is_read


def test_the_claim_of_a_dead_process_runs_out_and_what_it_still_did_is_dropped(asked, client, settings):
    post_columns(client, asked)
    first = import_jobs.claim_next()
    LogImport.objects.update(claimed_until=timezone.now() - timedelta(seconds=1))
    second = import_jobs.claim_next()
    assert (second.pk, second.attempts) == (first.pk, 2)
    assert second.claim != first.claim
    import_jobs.do(first)
    assert not Log.objects.get().is_read
    assert LogImport.objects.get().claim == second.claim
    assert "broken off and began again" in client.get(asked.get_absolute_url()).content.decode()
    import_jobs.do(second)
    assert Log.objects.get().is_read
    import_jobs.do(second)
    assert len(list((settings.MEDIA_ROOT / "logs").iterdir())) == 2


def test_an_import_whose_process_ended_is_begun_again_at_once_and_given_up_after_three_times(asked, client):
    post_columns(client, asked, column_2="current_a|A|flipped")
    assert [import_jobs.do_next(ends_at_once) for _ in range(4)] == [True, True, True, False]
    assert LogImport.objects.get().state == "failed"
    page = client.get(asked.get_absolute_url()).content.decode()
    assert "broken off 3 times" in page
    assert "The file is stored unchanged" in page
    # Nothing has to be chosen again.
    columns = client.get(f"/sessions/logs/{asked.pk}/columns/").context["columns"]
    assert columns[2].chosen == "current_a|A|flipped"
    post_columns(client, asked)
    assert import_jobs.do_next(do_in_this_process)
    log = Log.objects.get()
    assert (log.is_read, log.problem) == (True, "")


def test_only_so_many_go_on_at_once(session, sign_in):
    client = sign_in("recorder")
    for number in range(3):
        send(client, session, GOOD + b"%d,52,9\n" % (40 + number), f"{number}.csv")
        post_columns(client, Log.objects.get(name=f"{number}.csv"))
    claimed = [import_jobs.claim_next() for _ in range(3)]
    assert [job.log.name if job else None for job in claimed] == ["0.csv", "1.csv", None]
    import_jobs.do(claimed[0])
    assert import_jobs.claim_next().log.name == "2.csv"


@pytest.mark.parametrize("when", ["before", "while it is read"])
def test_cancelled_is_cancelled(asked, client, when, monkeypatch, settings):
    post_columns(client, asked, column_2="current_a|A|flipped")
    address = f"/sessions/logs/{asked.pk}/cancel-import/"
    if when == "before":
        assert client.post(address).status_code == 302
        assert import_jobs.claim_next() is None
    else:
        job = import_jobs.claim_next()
        assert client.post(address).status_code == 302
        import_jobs.do(job)
    log = Log.objects.get()
    assert (log.state, log.columns.name) == ("waiting", "")
    assert len(list((settings.MEDIA_ROOT / "logs").iterdir())) == 1
    page = client.get(asked.get_absolute_url()).content.decode()
    assert "The import was cancelled." in page
    assert client.get(f"/sessions/logs/{asked.pk}/columns/").context["columns"][2].chosen == "current_a|A|flipped"
    assert "No import was going on." in client.post(address, follow=True).content.decode()


def test_what_is_cancelled_at_the_last_moment_is_not_stored(asked, client, monkeypatch, settings):
    post_columns(client, asked)
    job = import_jobs.claim_next()
    monkeypatch.setattr(import_jobs, "RENEW_AFTER_S", 1e9)
    import_jobs.cancel(asked)
    import_jobs.do(job)
    assert not Log.objects.get().is_read
    assert len(list((settings.MEDIA_ROOT / "logs").iterdir())) == 1


def test_a_log_that_is_removed_meanwhile_stays_removed(asked, client):
    post_columns(client, asked)
    job = import_jobs.claim_next()
    assert client.post(f"/sessions/logs/{asked.pk}/remove/").status_code == 302
    import_jobs.do(job)
    assert not Log.objects.exists()
    assert not LogImport.objects.exists()


def test_the_newest_choice_counts(asked, client):
    post_columns(client, asked)
    first = import_jobs.claim_next()
    post_columns(client, asked, column_2="motor_temperature_c|°C")
    import_jobs.do(first)
    assert not Log.objects.get().is_read
    import_jobs.do_next(do_in_this_process)
    assert set(whole_columns(Log.objects.get())) == {"time_s", "voltage_v", "motor_temperature_c"}


def test_a_log_moved_while_it_is_read_again_stays_where_it_was_moved(asked, client):
    post_columns(client, asked)
    import_jobs.do_next(do_in_this_process)
    post_columns(client, asked)
    job = import_jobs.claim_next()

    def moved_meanwhile(claim):
        Log.objects.update(clock="hand", begins_into_session_s=7.5)
        import_jobs.do(job)
        return 0

    moved_meanwhile(job.claim)
    log = Log.objects.get()
    assert (log.clock, log.begins_into_session_s) == ("hand", 7.5)


def test_a_file_that_cannot_be_read_says_why_and_is_kept(session, sign_in):
    client = sign_in("recorder")
    content = b"t,volts\n" + b"".join(b"%d,52\n" % n for n in range(60)) + b"x,y\n" * 90
    send(client, session, content)
    log = Log.objects.get()
    head = look_at(content)
    import_jobs.ask_for(log, head.layout, guess(head.layout, head.rows))
    import_jobs.do_next(do_in_this_process)
    log.refresh_from_db()
    assert "that are no numbers" in log.problem
    assert LogImport.objects.get().state == "failed"
    assert log.original.read() == content
    assert "that are no numbers" in client.get(log.get_absolute_url()).content.decode()
    log.original.storage.delete(log.original.name)
    import_jobs.ask_for(log, *import_jobs._chosen(LogImport.objects.get()))
    import_jobs.do_next(do_in_this_process)
    log.refresh_from_db()
    assert "is gone from the data folder" in log.problem


def test_a_full_disk_is_said_and_nothing_half_is_stored(asked, client, monkeypatch, settings):
    post_columns(client, asked)

    def full(*_, **__):
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("sessions.logs.columns.ColumnWriter.add", full)
        import_jobs.do_next(do_in_this_process)
    asked.refresh_from_db()
    assert "is full" in asked.problem
    assert "import the log again" in asked.problem
    assert len(list((settings.MEDIA_ROOT / "logs").iterdir())) == 1
    post_columns(client, asked)
    import_jobs.do_next(do_in_this_process)
    assert Log.objects.get().is_read


def test_choices_stored_by_another_version_are_asked_for_again(asked, client):
    post_columns(client, asked)
    LogImport.objects.update(mapping={"choices": "none"})
    import_jobs.do_next(do_in_this_process)
    assert "Choose what its columns mean again" in Log.objects.get().problem
    assert client.get(f"/sessions/logs/{asked.pk}/columns/").status_code == 200


def test_a_large_log_of_an_archive_is_imported_in_the_background(asked, client, vehicle):
    post_columns(client, asked, column_2="current_a|A|flipped")
    import_jobs.do_next(do_in_this_process)
    before = Log.objects.get()
    packed = io.BytesIO()
    archive.export_machine(vehicle, packed)
    Log.objects.all().delete()
    done = archive.import_machine(packed, packed.getbuffer().nbytes)
    assert done.notes == ["Log 1: log.csv is large, so it is imported in the background."]
    assert Log.objects.get().state == "waiting"
    import_jobs.do_next(do_in_this_process)
    after = Log.objects.get()
    for name in ("state", "row_count", "summary", "first_at", "duration_s", "length_m", "layout", "mapping", "sha256"):
        assert getattr(after, name) == getattr(before, name), name
    np.testing.assert_array_equal(whole_columns(after)["current_a"], [-10.0 - n % 7 for n in range(40)])


def test_an_archive_with_another_file_of_that_name_is_noticed(asked, client, vehicle):
    packed = io.BytesIO()
    archive.export_machine(vehicle, packed)
    Log.objects.all().delete()
    changed = io.BytesIO()
    with zipfile.ZipFile(packed) as old, zipfile.ZipFile(changed, "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name).replace(b"52.1", b"52.9") if name.endswith(".csv") else old.read(name))
    done = archive.import_machine(changed, changed.getbuffer().nbytes)
    assert "missing or damaged" in done.notes[0]
    assert not Log.objects.exists()


def test_the_command_does_only_what_is_claimed(asked, client):
    from django.core.management import call_command

    post_columns(client, asked)
    call_command("import_log", str(uuid.uuid4()))
    assert not Log.objects.get().is_read
    call_command("import_log", str(import_jobs.claim_next().claim))
    assert Log.objects.get().is_read


def test_who_may_not_log_may_not_cancel(asked, client, make_account):
    post_columns(client, asked)
    client.force_login(make_account("reader"))
    assert client.post(f"/sessions/logs/{asked.pk}/cancel-import/").status_code == 403
    assert LogImport.objects.get().state == "waiting"
    assert "Cancel the import" not in client.get(asked.get_absolute_url()).content.decode()
