"""What a record was before each change, by every door, and undoing the last one."""

import json

import pytest
from reversion.models import Version

from buildlog.models import Failure, FailureMode, Modification
from buildlog.records import history
from sessions.models import Pass
from tests.filled_forms import opened


def words(record):
    return [
        (event.change.act, event.change.source, [tuple(difference) for difference in event.differences])
        for event in history.events_of(record, "metric")
    ]


def change(client, record, **fields):
    path = f"/api/v1/passes/{record.pk}/"
    body = {"version": client.get(path).json()["version"]} | fields
    answer = client.patch(path, json.dumps(body), content_type="application/json")
    assert answer.status_code == 200, answer.content
    return answer


def test_a_form_keeps_what_was_and_what_is(sign_in, session):
    client = sign_in("builder")
    path = f"/sessions/{session.pk}/edit/"
    fields = opened(client, path) | {"runtime_s": "40 min", "surface": "packed_snow"}
    assert client.post(path, fields).status_code == 302
    [changed, made] = history.events_of(session, "metric")
    assert changed.by == "builder"
    assert (changed.change.act, changed.change.source) == ("changed", "form")
    assert {difference.label: difference[1:] for difference in changed.differences} == {
        "Surface": ("Clear ice", "Packed snow"),
        "Runtime": ("30 min", "40 min"),
    }
    assert (made.change.act, made.at) == ("made", session.made_at)
    page = client.get(f"/history/session/{session.pk}/").content.decode()
    assert "<del>30 min</del> → <ins>40 min</ins>" in page


def test_a_new_record_keeps_nothing_twice(sign_in, session, gate):
    client = sign_in("recorder")
    key = "5b8f0c1e-58e6-4c41-9f6e-3d4a1c0b7a10"
    body = {"session": str(session.pk), "gate": str(gate.pk), "number": 3, "method": "stopwatch", "duration_s": 7.25}
    for _ in range(2):  # a phone sends again what it had no answer to
        answer = client.put(f"/api/v1/passes/{key}/", json.dumps(body), content_type="application/json")
        assert answer.status_code in (200, 201)
    assert not Version.objects.exists()
    assert words(Pass.objects.get(pk=key)) == []
    assert "Unchanged since it was created" in client.get(f"/history/pass/{key}/").content.decode()


def test_a_phone_and_a_script_are_told_apart(sign_in, timed_pass):
    client = sign_in("builder")
    change(client, timed_pass, duration_s=6.0)
    path, account = f"/api/v1/passes/{timed_pass.pk}/", str(client.session["_auth_user_id"])
    body = {"duration_s": 6.5, "version": client.get(path).json()["version"]}
    headers = {"X-Firnlog-Account": account}
    assert client.patch(path, json.dumps(body), content_type="application/json", headers=headers).status_code == 200
    assert [(act, source, changes[:1]) for act, source, changes in words(timed_pass)] == [
        ("changed", "phone", [("Time, first to last mark", "6 s", "6.5 s")]),
        ("changed", "api", [("Time, first to last mark", "5 s", "6 s")]),
        ("made", "", []),
    ]


def test_a_refused_change_is_not_kept(sign_in, timed_pass):
    client = sign_in("builder")
    path = f"/api/v1/passes/{timed_pass.pk}/"
    answer = client.patch(path, json.dumps({"duration_s": 6.0}), content_type="application/json")
    assert answer.status_code == 428
    assert client.patch(path, json.dumps({"duration_s": -1}), content_type="application/json").status_code == 400
    assert not Version.objects.exists()


def test_what_a_modification_answers_is_in_its_history(sign_in, revision, failure):
    later = type(revision).objects.create(vehicle=revision.vehicle, number=2, date=revision.date, parent=revision)
    modification = Modification.objects.create(revision=later, title="Tensioner")
    client = sign_in("builder")
    path = f"/modifications/{modification.pk}/edit/"
    assert client.post(path, opened(client, path) | {"answers": [str(failure.pk)]}).status_code == 302
    [(_, _, [difference]), _] = words(modification)
    assert difference[1:] == ("nothing", str(failure))


def test_the_last_change_is_undone_and_undone_again(sign_in, timed_pass):
    client = sign_in("builder")
    change(client, timed_pass, duration_s=6.0)
    change(client, timed_pass, duration_s=7.0)
    undo = f"/history/pass/{timed_pass.pk}/undo/"
    for expected in (6.0, 7.0):
        assert client.post(undo).status_code == 302
        timed_pass.refresh_from_db()
        assert timed_pass.duration_s == expected
    assert [act for act, _, _ in words(timed_pass)] == ["undone", "undone", "changed", "changed", "made"]


def test_a_change_of_which_nothing_is_kept_is_not_said_to_be_undone(sign_in, gate):
    """The marks of a gate are replaced as a whole, and are no columns of it: undo said it was done, and nothing was."""
    client = sign_in("builder")
    path = f"/api/v1/gates/{gate.pk}/"
    stored = client.get(path).json()
    marks = [{"position_m": 0.0}, {"position_m": 98.0}]
    data = json.dumps({"marks": marks, "version": stored["version"]})
    assert client.patch(path, data, content_type="application/json").status_code == 200
    answer = client.post(f"/history/gate/{gate.pk}/undo/", follow=True)
    assert "Nothing was changed. What was changed last is not kept here" in answer.content.decode()
    assert [mark.position_m for mark in gate.marks.all()] == [0.0, 98.0]


def test_a_phone_sees_an_undone_change_as_a_change(sign_in, timed_pass):
    """Its version differs, so that a phone does not overwrite it without asking."""
    client = sign_in("builder")
    answer = change(client, timed_pass, duration_s=6.0)
    client.post(f"/history/pass/{timed_pass.pk}/undo/")
    assert client.get(f"/api/v1/passes/{timed_pass.pk}/")["ETag"] != answer["ETag"]


def test_what_was_changed_in_another_way_since_is_not_overwritten(sign_in, timed_pass):
    client = sign_in("builder")
    change(client, timed_pass, duration_s=6.0)
    Pass.objects.filter(pk=timed_pass.pk).update(direction="back")
    page = client.post(f"/history/pass/{timed_pass.pk}/undo/", follow=True).content.decode()
    assert "changed since in another way" in page
    timed_pass.refresh_from_db()
    assert (timed_pass.duration_s, timed_pass.direction) == (6.0, "back")


def test_an_earlier_state_that_names_what_is_gone_is_not_stored(sign_in, failure, session):
    client = sign_in("builder")
    other = FailureMode.called("belt slipped")
    path = f"/failures/{failure.pk}/edit/"
    old_mode = failure.mode
    assert client.post(path, opened(client, path) | {"mode_name": other.name}).status_code == 302
    old_mode.delete()
    page = client.post(f"/history/failure/{failure.pk}/undo/", follow=True).content.decode()
    assert "something it names was deleted" in page
    assert Failure.objects.get().mode == other


def test_recorders_undo_only_what_they_changed(sign_in, make_account, client, timed_pass):
    change(sign_in("builder"), timed_pass, duration_s=6.0)
    client.force_login(make_account("recorder", "ilo"))
    undo = f"/history/pass/{timed_pass.pk}/undo/"
    assert client.post(undo).status_code == 403
    change(client, timed_pass, duration_s=6.5)
    assert client.post(undo).status_code == 302
    timed_pass.refresh_from_db()
    assert timed_pass.duration_s == 6.0


@pytest.mark.parametrize("kind", ["account", "devicetoken", "sharelink", "no-such-kind"])
def test_what_opens_the_log_to_somebody_has_no_history(kind, sign_in, session):
    assert sign_in("owner").get(f"/history/{kind}/{session.pk}/").status_code == 404


def test_what_is_part_of_another_record_has_a_history_too(sign_in, fitting):
    shown = sign_in("builder").get(f"/history/fitting/{fitting.pk}/")
    assert shown.status_code == 200
    assert f'href="{fitting.revision.get_absolute_url()}"' in shown.content.decode()


def test_a_page_of_many_changes_asks_no_more_than_one_of_few(sign_in, timed_pass, django_assert_num_queries):
    client = sign_in("builder")
    for start in (6.0, 8.0):
        for step in range(3):
            change(client, timed_pass, duration_s=start + step)
        path = f"/history/pass/{timed_pass.pk}/"
        client.get(path)
        with django_assert_num_queries(6):
            client.get(path)
