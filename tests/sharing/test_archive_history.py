"""The history of a machine's records goes out with its archive, and comes in again."""

import io
import json
import zipfile

import pytest
from django.test import Client
from reversion.models import Revision as KeptRevision
from reversion.models import Version

from buildlog.models import Account, Failure, Modification, Part, Photo, Vehicle
from buildlog.photos.pictures import store_photo
from buildlog.records import history
from sessions.demo import loading
from sessions.models import Assumptions, Pass, Session, Venue
from sessions.sharing import archive
from sessions.sharing.archive_history import in_words
from tests.filled_forms import opened
from tests.sharing.machine import packed

ENDING = " (says the archive)"


def read(target):
    return archive.import_machine(target, len(target.getvalue()))


def remade(target, change):
    """The archive with its records changed."""
    made = io.BytesIO()
    with zipfile.ZipFile(target) as source, zipfile.ZipFile(made, "w") as changed:
        records = json.loads(source.read("records.json"))
        change(records)
        changed.writestr("records.json", json.dumps(records))
        for name in source.namelist():
            if name != "records.json":
                changed.writestr(name, source.read(name))
    return made


def shown(record):
    """What its history page says, change by change."""
    return [(e.change.act, e.change.source, e.at, e.by, e.differences) for e in history.events_of(record, "metric")]


def start_anew():
    """As on another installation: no machine, and no history."""
    loading.remove()
    Version.objects.all().delete()
    KeptRevision.objects.all().delete()


@pytest.fixture
def builder(sign_in):
    return sign_in("builder")


@pytest.fixture
def changed(db, builder):
    return load_and_change(builder)


@pytest.fixture(scope="module")
def archived(undone):
    """The archive of the changed machine, which is not stored here, and the keys of what was changed."""
    with undone():
        builder = Client()
        builder.force_login(Account.objects.create_user("builder", role="builder"))
        vehicle, *records = load_and_change(builder)
        return packed(vehicle), records


def load_and_change(builder):
    """The demo's machine with changes by a form, by the API and by undoing: vehicle, and keys of what was changed."""
    loading.load()
    session, run = Session.objects.first(), Pass.objects.first()
    path = f"/sessions/{session.pk}/edit/"
    for notes in ("Wind came up", "Wind came up at noon"):
        assert builder.post(path, opened(builder, path) | {"notes": notes}).status_code == 302
    api = f"/api/v1/passes/{run.pk}/"
    body = {"duration_s": run.duration_s + 0.25, "version": builder.get(api).json()["version"]}
    assert builder.patch(api, json.dumps(body), content_type="application/json").status_code == 200
    builder.post(f"/history/pass/{run.pk}/undo/")
    fix = Modification.objects.get(title__startswith="Heavier chain")
    before = fix.answers.first()
    with history.changing(fix) as change:
        fix.answers.remove(before)
        change.fields = ["answers"]
    vehicle = Vehicle.objects.get()
    assumptions, _ = Assumptions.objects.get_or_create(vehicle=vehicle)
    with history.changing(assumptions) as change:
        assumptions.u_rest_charge_fraction = 0.08
        assumptions.save()
        change.fields = ["u_rest_charge_fraction"]
    return vehicle, (Session, session.pk), (Pass, run.pk), (Modification, fix.pk), (Assumptions, vehicle.pk)


def test_history_comes_back_as_it_was_with_names_in_words(changed, sign_in):
    vehicle, *records = changed
    before = {key: shown(model.objects.get(pk=key)) for model, key in records}
    assert [len(events) for events in before.values()] == [3, 3, 2, 2]
    target = packed(vehicle)
    start_anew()
    done = read(target)
    assert done.notes == []
    assert done.stored["changes in their history"] == 10
    for model, key in records:
        assert shown(model.objects.get(pk=key)) == [
            (act, source, at, f"{by}{ENDING}" if by else "", differences)
            for act, source, at, by, differences in before[key]
        ]
    assert not KeptRevision.objects.filter(user__isnull=False).exists()
    page = sign_in("reader").get(f"/history/session/{records[0][1]}/").content.decode()
    assert f"builder{ENDING}, by a form" in page
    assert "<del>Wind came up</del> → <ins>Wind came up at noon</ins>" in page
    # Once more: nothing twice.
    count = Version.objects.count()
    assert "changes in their history" not in read(target).stored
    assert Version.objects.count() == count


def test_a_name_is_put_in_words_once_however_often_it_travels():
    assert in_words("builder") == in_words(in_words("builder")) == f"builder{ENDING}"
    assert in_words(" ") == ""


def test_an_imported_change_is_undone_and_the_picture_stays(changed, builder, picture_file):
    vehicle, (_, session_key), *_ = changed
    photo = store_photo(picture_file, revision=vehicle.revisions.first(), caption="Before")
    with history.changing(photo) as change:
        photo.caption = "After"
        photo.save()
        change.fields = ["caption"]
    target = packed(vehicle)
    start_anew()
    Photo.objects.all().delete()
    read(target)
    builder.post(f"/history/session/{session_key}/undo/")
    assert Session.objects.get(pk=session_key).notes == "Wind came up"
    builder.post(f"/history/photo/{photo.pk}/undo/")
    assert Photo.objects.get(pk=photo.pk).taken_at == photo.taken_at  # not the moment of the import
    undone = Photo.objects.get(pk=photo.pk)
    assert (undone.caption, undone.image.open("rb").read(3)) == ("Before", b"\xff\xd8\xff")


def test_what_is_here_under_another_key_takes_the_place_of_the_file_s(changed):
    vehicle, (_, session_key), _, (_, fix_key), _ = changed
    chain = Part.objects.get(name__startswith="Chain 428")
    fix = Modification.objects.get(pk=fix_key)
    with history.changing(fix) as change:
        fix.changed = [str(chain.pk)]
        fix.save()
        change.fields = ["changed"]
    target = packed(vehicle)
    venue = Venue.objects.get().name
    start_anew()
    own_chain, own_venue = (
        Part.objects.create(category=chain.category, name=chain.name),
        Venue.objects.create(name=venue),
    )
    read(target)
    newest = Version.objects.get_for_object(Modification.objects.get(pk=fix_key))[0]
    assert newest.field_dict["changed"] == [str(own_chain.pk)]
    kept = Version.objects.get_for_object(Session.objects.get(pk=session_key))
    assert {version.field_dict["venue_id"] for version in kept} == {own_venue.pk}


def test_an_archive_without_history_imports_as_before(db, archived):
    file, ((_, session_key), *_) = archived
    target = remade(file, lambda records: records.pop("history"))
    done = read(target)
    assert (done.notes, Version.objects.count()) == ([], 0)
    assert Session.objects.filter(pk=session_key).exists()


def entry_of(records, kind="session"):
    return next(entry for entry in records["history"] if entry["kind"] == kind)


ODD = {
    "a kind that is none": ("session", {"kind": "account"}),
    "a list for a kind": ("session", {"kind": ["session"]}),
    "a record that the file does not have": ("session", {"record": "3f0d4a60-0000-4000-8000-000000000000"}),
    "an act that is none": ("session", {"act": "stolen"}),
    "a list for an act": ("session", {"act": ["made"]}),
    "a source that is none": ("session", {"source": "the moon"}),
    "a number for a name": ("session", {"by": 7}),
    "a time that is none": ("session", {"at": "soon"}),
    "a time without zone": ("session", {"at": "2026-01-01T00:00:00"}),
    "a time to come": ("session", {"at": "9999-12-31T23:59:59+00:00"}),
    "a time before all": ("session", {"at": "0001-01-01T00:00:00+00:00"}),
    "no state": ("session", {"state": None}),
}
ODD_STATES = {
    "a word for a number": ("session", {"distance_m": "far"}),
    "no number": ("session", {"distance_m": float("nan")}),
    "a huge number": ("session", {"distance_m": 10**400}),
    "a choice that is none": ("session", {"surface": "lava"}),
    "a start before all": ("session", {"started_at": "0001-01-01T00:00:00+00:00"}),
    "an object for a key": ("session", {"venue_id": {"a": 1}}),
    "a key that is none": ("session", {"venue_id": "x"}),
    "splits that are none": ("pass", {"split_times_s": {"a": [1]}}),
    "answers that are none": ("modification", {"answers": ["x"]}),
    "a word for answers": ("modification", {"answers": "x"}),
}


def add_odd_entries(records):
    added = [{**entry_of(records, kind), **change} for kind, change in ODD.values()]
    for kind, change in ODD_STATES.values():
        entry = entry_of(records, kind)
        added.append({**entry, "state": {**entry["state"], **change}})
    records["history"] += [*added, 7]


def test_odd_changes_are_left_out_and_said_and_no_page_breaks(archived, builder):
    file, records = archived
    target = remade(file, add_odd_entries)
    done = read(target)
    assert done.stored["changes in their history"] == Version.objects.count() == 10
    assert len(done.notes) == 1
    assert done.notes[0].startswith(f"{len(ODD) + len(ODD_STATES) + 1} changes in the history")
    for model, key in records:
        path = f"/history/{model._meta.model_name}/{key}/"
        assert builder.get(path).status_code == 200
        assert builder.post(f"{path}undo/", follow=True).status_code == 200


@pytest.mark.parametrize("history_of_file", [None, {"a": 1}])
def test_history_that_is_no_list_is_said_and_the_rest_comes_in(db, archived, history_of_file):
    target = remade(archived[0], lambda records: records.update(history=history_of_file))
    done = read(target)
    assert (len(done.notes), Version.objects.count()) == (1, 0)
    assert Failure.objects.exists()


def test_a_name_that_pretends_to_be_markup_or_an_account_is_text_in_words(archived, sign_in):
    file, ((_, session_key), *_) = archived
    target = remade(file, lambda records: entry_of(records).update(by="<b>owner</b>" * 40))
    read(target)
    page = sign_in("reader").get(f"/history/session/{session_key}/").content.decode()
    assert "<b>owner" not in page
    assert max(len(event.by) for event in history.events_of(Session.objects.get(pk=session_key), "metric")) < 180


def test_half_a_character_is_refused_with_a_sentence(db, archived):
    """JSON can write what no database stores."""
    target = remade(archived[0], lambda records: entry_of(records)["state"].update(notes="\ud800"))
    with pytest.raises(archive.NotAnArchive, match="half a character"):
        read(target)


def test_what_is_in_the_trash_does_not_go_along_and_both_pages_say_why(changed, builder):
    vehicle, (_, session_key), *_ = changed
    thrown_away = Session.objects.get(pk=session_key)
    path = f"/sessions/{session_key}/edit/"
    assert builder.post(path, opened(builder, path) | {"notes": "Not for other eyes"}).status_code == 302
    assert builder.post(f"/sessions/{session_key}/remove/").status_code == 302
    target = packed(vehicle)
    with zipfile.ZipFile(target) as archived:
        held = b"".join(archived.read(name) for name in archived.namelist()).decode(errors="replace")
    for word in ("Not for other eyes", "Wind came up", str(session_key)):
        assert word not in held
    assert str(Session.objects.first().pk) in held  # what is looked for would be found
    for page in ("/trash/", f"/vehicles/{vehicle.pk}/tables/"):
        assert "what was thrown away is not theirs to see" in builder.get(page).content.decode(), page
    # It is in the trash all the same, and comes back.
    from buildlog.models import Removal

    builder.post(f"/trash/{Removal.objects.latest('removed_at').pk}/restore/")
    assert Session.objects.get(pk=session_key).started_at == thrown_away.started_at
