"""What was deleted is restored whole within thirty days, and gone with its files and its history after them."""

from datetime import timedelta

import pytest
from django.apps import apps
from django.core.files.storage import default_storage
from django.db import connection
from django.db.models import CASCADE
from django.utils import timezone
from reversion import is_registered
from reversion.models import Revision as KeptRevision
from reversion.models import Version

from buildlog.models import Change, Failure, Modification, Photo, Removal, RemovedRecord, Revision
from buildlog.records import trash
from sessions.models import Pass, Reading, Session, TestCardItem


def rows(*models):
    """What the tables hold, in the database's own words."""
    held = {}
    with connection.cursor() as cursor:
        for model in models:
            # A row of links has a number of its own, which says nothing.
            kept = [
                column for column in model._meta.concrete_fields if not model._meta.auto_created or column.is_relation
            ]
            columns = ", ".join(f'"{column.column}"' for column in kept)
            cursor.execute(f'SELECT {columns} FROM "{model._meta.db_table}" ORDER BY 1')  # noqa: S608
            held[model._meta.label] = cursor.fetchall()
    return held


def deleted(client, path):
    assert client.post(path).status_code == 302
    return Removal.objects.latest("removed_at")


ALL = (Session, Pass, Reading, Failure, Photo, TestCardItem, Modification, Modification.answers.through)


@pytest.fixture
def outing(session, timed_pass, reading, failure, card, revision, picture_file):
    """A session with all that hangs on it, and what only points to it."""
    from buildlog.photos.pictures import store_photo

    later = type(revision).objects.create(vehicle=revision.vehicle, number=2, date=revision.date, parent=revision)
    Modification.objects.create(revision=later, title="Tensioner").answers.add(failure)
    TestCardItem.objects.create(card=card, what="Six passes", outcome="done", session=session)
    store_photo(picture_file, session=session)
    return session


def test_a_session_comes_back_whole(sign_in, outing):
    client = sign_in("builder")
    before = rows(*ALL)
    removal = deleted(client, f"/sessions/{outing.pk}/remove/")
    assert not Session.objects.exists()
    assert not Pass.objects.exists()
    assert Failure.objects.get().session is None
    photo_file = removal.files[0]
    assert default_storage.exists(photo_file)
    assert RemovedRecord.objects.filter(pk=outing.pk).exists()
    page = client.get("/trash/").content.decode()
    assert str(outing) in page
    answer = client.post(f"/trash/{removal.pk}/restore/")
    assert answer.status_code == 302
    assert answer.url == outing.get_absolute_url()
    assert rows(*ALL) == before
    assert not Removal.objects.exists()
    assert not RemovedRecord.objects.exists(), "a phone must not take it for deleted"
    assert client.get(outing.get_absolute_url()).status_code == 200
    assert client.get(f"/photos/{Photo.objects.get().pk}/image/").status_code == 200


def test_a_failure_comes_back_with_the_modification_that_answers_it(sign_in, outing, failure):
    client = sign_in("builder")
    before = rows(*ALL)
    removal = deleted(client, f"/failures/{failure.pk}/remove/")
    assert not Modification.objects.get().answers.exists()
    client.post(f"/trash/{removal.pk}/restore/")
    assert rows(*ALL) == before


def test_a_link_that_was_set_anew_meanwhile_stays(sign_in, outing, failure, session, revision, venue):
    client = sign_in("builder")
    other = Session.objects.create(revision=revision, venue=venue, started_at=timezone.now())
    removal = deleted(client, f"/sessions/{outing.pk}/remove/")
    Failure.objects.update(session=other)
    client.post(f"/trash/{removal.pk}/restore/")
    assert Failure.objects.get().session == other


def test_what_it_belonged_to_is_restored_first(sign_in, session, timed_pass):
    client = sign_in("builder")
    of_pass = deleted(client, f"/sessions/passes/{timed_pass.pk}/remove/")
    of_session = deleted(client, f"/sessions/{session.pk}/remove/")
    page = client.post(f"/trash/{of_pass.pk}/restore/", follow=True).content.decode()
    assert "what it belonged to was deleted too" in page
    assert not Pass.objects.exists()
    for removal in (of_session, of_pass):
        client.post(f"/trash/{removal.pk}/restore/")
    assert Pass.objects.get() == timed_pass


def test_whether_records_are_there_again_is_asked_once_for_each_kind(sign_in, outing, django_assert_num_queries):
    Reading.objects.bulk_create(Reading(session=outing, time_into_session_s=n, voltage_v=50.0) for n in range(40))
    removal = deleted(sign_in("builder"), f"/sessions/{outing.pk}/remove/")
    versions = list(removal.revision.version_set.all())
    kinds = {version._model for version in versions}
    assert len(versions) > 40 > len(kinds)
    with django_assert_num_queries(len(kinds)):
        assert trash._first_of_those_there(versions) == ""
    again = Session.objects.create(
        pk=outing.pk, revision=outing.revision, venue=outing.venue, started_at=outing.started_at
    )
    assert trash._first_of_those_there(versions) == str(again)


def test_another_record_in_its_place_is_not_overwritten(sign_in, revision):
    client = sign_in("builder")
    more = {"vehicle": revision.vehicle, "number": 2, "date": revision.date, "parent": revision}
    second = Revision.objects.create(**more, purpose="Longer chain")
    removal = deleted(client, f"/revisions/{second.pk}/remove/")
    other = Revision.objects.create(**more, purpose="Wider track")
    page = client.post(f"/trash/{removal.pk}/restore/", follow=True).content.decode()
    assert "another record has taken its place" in page
    assert Revision.objects.get(number=2).purpose == "Wider track"
    other.delete()
    # And a record that a phone sent again under the same key.
    Revision.objects.create(pk=second.pk, **more, purpose="Sent again")
    page = client.post(f"/trash/{removal.pk}/restore/", follow=True).content.decode()
    assert "is there again" in page
    assert Revision.objects.get(number=2).purpose == "Sent again"


def test_its_history_goes_on(sign_in, timed_pass):
    client = sign_in("builder")
    removal = deleted(client, f"/sessions/passes/{timed_pass.pk}/remove/")
    client.post(f"/trash/{removal.pk}/restore/")
    acts = [change.act for change in Change.objects.order_by("revision_id")]
    assert acts == ["removed", "restored"]
    assert "Restored" in client.get(f"/history/pass/{timed_pass.pk}/").content.decode()


def test_recorders_see_and_restore_what_they_deleted(sign_in, make_account, client, reading, timed_pass):
    deleted(sign_in("builder"), f"/sessions/passes/{timed_pass.pk}/remove/")
    ilo = make_account("recorder", "ilo")
    client.force_login(ilo)
    Reading.objects.update(made_by=ilo, made_at=timezone.now())
    own = deleted(client, f"/sessions/readings/{reading.pk}/remove/")
    foreign = Removal.objects.exclude(pk=own.pk).get()
    page = client.get("/trash/").content.decode()
    assert f"/trash/{own.pk}/restore/" in page
    assert f"/trash/{foreign.pk}/restore/" not in page
    assert client.post(f"/trash/{foreign.pk}/restore/").status_code == 403
    assert client.post(f"/trash/{own.pk}/restore/").status_code == 302
    assert Reading.objects.get() == reading


def test_after_thirty_days_nothing_of_it_is_left(sign_in, outing, timed_pass, reading):
    client = sign_in("builder")
    removal = deleted(client, f"/sessions/{outing.pk}/remove/")
    names = removal.files
    assert len(names) == 2  # the picture and its small one
    Removal.objects.update(removed_at=timezone.now() - trash.KEPT_FOR + timedelta(minutes=1))
    assert trash.empty_expired() == 0
    Removal.objects.update(removed_at=timezone.now() - trash.KEPT_FOR - timedelta(minutes=1))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("django.db.transaction.on_commit", lambda work, **_: work())
        assert trash.empty_expired() == 1
    assert not any(default_storage.exists(name) for name in names)
    for model in (Removal, Version, KeptRevision, Change):
        assert not model.objects.exists(), model
    assert RemovedRecord.objects.filter(pk=outing.pk).exists(), "phones still learn that it was deleted on purpose"


def test_deleting_for_good_frees_the_files_at_once(sign_in, outing, django_capture_on_commit_callbacks):
    client = sign_in("builder")
    removal = deleted(client, f"/sessions/{outing.pk}/remove/")
    with django_capture_on_commit_callbacks(execute=True):
        assert client.post(f"/trash/{removal.pk}/empty/").status_code == 302
    assert not any(default_storage.exists(name) for name in removal.files)
    assert client.get("/trash/").status_code == 200


def test_only_what_opens_the_log_is_not_kept():
    """Whatever goes along with a record that is kept is kept too, but for keys and the state of an import's process."""
    kept = {model for model in apps.get_models() if is_registered(model)}
    goes_along = {
        model.__name__
        for model in apps.get_models()
        for column in model._meta.concrete_fields
        if column.is_relation and column.remote_field.on_delete is CASCADE and column.related_model in kept
    }
    assert goes_along - {model.__name__ for model in kept} == {"DeviceToken", "ShareLink", "LogImport"}


def test_a_backup_and_a_copy_take_the_files_of_the_trash_along(sign_in, outing):
    from buildlog.hosting.file_copy import named_files

    removal = deleted(sign_in("builder"), f"/sessions/{outing.pk}/remove/")
    assert set(removal.files) <= set(named_files())
