"""Everything an installation has stored, carried from one database product to another and back."""

import contextlib
import json
import shutil
import sqlite3

import pytest
import reversion
from django.contrib.sessions.models import Session as SignedIn
from django.db import OperationalError, connections, transaction
from django.db.migrations.loader import MigrationLoader
from reversion.models import Version

from buildlog.hosting import data_copy
from buildlog.hosting.data_copy import (
    CannotCopy,
    copied_models,
    copy_everything,
    fingerprint,
    sqlite_file,
    temporary_alias,
)
from buildlog.hosting.stores import database
from buildlog.machines.serializers import PartSerializer
from buildlog.models import Account, FailureMode, Part, Photo, Revision, Vehicle
from buildlog.records.put_record import version_of

pytestmark = pytest.mark.own_database


@pytest.fixture
def season(db, make_account, vehicle, session, timed_pass, reading, failure, client):
    """The demo's season, with what the demo has none of, and values that products store in different ways."""
    from sessions.demo import loading

    loading.load()
    owner = make_account("owner")
    client.force_login(owner)
    FailureMode.objects.create(name="Kettenspannung für 5 € – 'schräg' \\ \"%s\" 凍")
    Part.objects.create(
        name="Numbers", category="battery_module", specification={"z": 1, "a": 50.4, "one": 1.0, "large": 1e22}
    )
    Photo.objects.create(session=session, image="photos/x.jpg", thumbnail="photos/y.jpg", width_px=1, height_px=2)
    session.recharge_energy_wh = 0.1 + 0.2
    session.save()
    with reversion.create_revision():
        reversion.add_to_revision(vehicle)


@pytest.fixture
def other(tmp_path, postgresql, migrated, migrated_on_server):
    """Makes and opens empty databases: other("sqlite", "a"), other("postgresql", "b")."""
    with contextlib.ExitStack() as opened:

        def make(product, name, up_to_date=True):
            if product == "sqlite":
                settings = sqlite_file(tmp_path / f"{name}.sqlite3")
                if up_to_date:
                    shutil.copyfile(migrated, settings["NAME"])
            else:
                settings = database(
                    postgresql.make_database(f"copy_{name}", template=migrated_on_server if up_to_date else "template1")
                )
            return opened.enter_context(temporary_alias(name, settings))

        yield make


def rows_of(path):
    """Each table's rows as the file holds them, read without the product; JSON by what it means."""
    with contextlib.closing(sqlite3.connect(path)) as file:
        names = [name for (name,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        names = set(names) - {"django_migrations", "sqlite_sequence"}
        results = {}
        for name in names:
            read = [tuple(map(_meaning, row)) for row in file.execute(f'SELECT * FROM "{name}"')]  # noqa: S608
            results[name] = sorted(read, key=repr)
        return results


def _meaning(value):
    if isinstance(value, str) and value[:1] in ("{", "["):
        with contextlib.suppress(ValueError):
            return json.dumps(json.loads(value, parse_int=float), sort_keys=True)
    return value


def test_there_and_back_nothing_is_lost(season, other, tmp_path):
    products = {"first": "sqlite", "server": "postgresql", "last": "sqlite"}
    first, server, last = (other(product, name, up_to_date=False) for name, product in products.items())
    reports = [copy_everything("default", first), copy_everything(first, server), copy_everything(server, last)]
    assert reports[0] == reports[1] == reports[2] == fingerprint("default")
    assert reports[0].sha256 == fingerprint(server).sha256
    # Judged without the copy's own hashes: the two files hold the same rows, column by column.
    begun, ended = (rows_of(tmp_path / f"{name}.sqlite3") for name in ("first", "last"))
    assert begun == ended
    assert {name: len(rows) for name, rows in begun.items()} == {table.name: table.rows for table in reports[0].tables}
    assert begun.keys() == {model._meta.db_table for model in copied_models(first)}
    assert all(len(begun[name]) for name in ("django_session", "reversion_version", "buildlog_modification_answers"))
    # And as the server holds them, counted by itself.
    with connections[server].cursor() as cursor:
        for table in reports[1].tables:
            cursor.execute(f'SELECT count(*) FROM "{table.name}"')  # noqa: S608
            assert cursor.fetchone() == (table.rows,)


def test_new_records_get_new_keys_afterwards(season, other):
    server = other("postgresql", "server")
    copy_everything("default", server)
    highest = max(Account.objects.using(server).values_list("pk", flat=True))
    assert Account.objects.using(server).create(username="new").pk == highest + 1


def test_kinds_of_records_keep_their_meaning(season, vehicle, other):
    """A version of the history names its kind by a key that differs between databases."""
    server = other("postgresql", "server")
    copy_everything("default", server)
    versions = Version.objects.using(server).select_related("content_type").filter(object_id=str(vehicle.pk))
    assert {version.content_type.model_class() for version in versions} == {Vehicle}
    assert SignedIn.objects.using(server).count() == SignedIn.objects.count() == 1


@pytest.mark.parametrize("product", ["sqlite", "postgresql"])
def test_what_is_there_is_never_copied_over(product, season, other):
    target = other(product, "target")
    copy_everything("default", target)
    before = fingerprint(target)
    with pytest.raises(CannotCopy, match="not empty: buildlog_account holds 1 row"):
        copy_everything("default", target)
    assert fingerprint(target) == before


def test_all_or_nothing(season, other):
    """PostgreSQL keeps no text with a NUL, which SQLite does: the row is named, and the target stays empty."""
    first, server = other("sqlite", "first"), other("postgresql", "server")
    copy_everything("default", first)
    part = Part.objects.using(first).get(name="Numbers")
    Part.objects.using(first).filter(pk=part.pk).update(notes="before\0after")
    with pytest.raises(CannotCopy, match=f"cannot keep the row {part.pk} of buildlog_part"):
        copy_everything(first, server)
    assert not any(model.objects.using(server).exists() for model in (Account, Vehicle, FailureMode, Part))
    Part.objects.using(first).filter(pk=part.pk).update(notes="")
    assert copy_everything(first, server) == fingerprint(first)


def test_a_row_that_points_nowhere_is_refused(season, other):
    first, server = other("sqlite", "first"), other("postgresql", "server")
    copy_everything("default", first)
    with connections[first].cursor() as cursor:
        cursor.execute("PRAGMA foreign_keys = OFF")
        cursor.execute("UPDATE buildlog_fitting SET revision_id = '00000000000000000000000000000000'")
    with pytest.raises(CannotCopy, match="foreign key"):
        copy_everything(first, server)
    assert not Vehicle.objects.using(server).exists()


def test_one_changed_digit_is_seen(season, other):
    first = other("sqlite", "first")
    copied = copy_everything("default", first)
    part = Part.objects.using(first).get(name="Numbers")
    part.specification["a"] = 50.400000000000006
    part.save()
    assert copied.differences(fingerprint(first)) == ["buildlog_part"]


def test_a_write_that_reads_back_differently_is_undone(season, other, monkeypatch):
    first = other("sqlite", "first")
    true_write = data_copy._write

    def lossy(model, alias, rows):
        true_write(model, alias, rows[:-1] if model is Vehicle else rows)

    monkeypatch.setattr(data_copy, "_write", lossy)
    monkeypatch.setattr(connections["default"].__class__, "check_constraints", lambda *_: None)
    with pytest.raises(CannotCopy):
        copy_everything("default", first)
    assert not FailureMode.objects.using(first).exists()


def test_a_source_of_another_version_is_refused(season, other):
    first, server = other("sqlite", "first"), other("postgresql", "server")
    copy_everything("default", first)
    with connections[first].cursor() as cursor:
        cursor.execute("INSERT INTO django_migrations (app, name, applied) VALUES ('buildlog', '9999_later', '2030')")
    with pytest.raises(CannotCopy, match="newer version"):
        copy_everything(first, server)
    with connections[first].cursor() as cursor:
        ((_, newest),) = MigrationLoader(None).graph.leaf_nodes("buildlog")
        cursor.execute("DELETE FROM django_migrations WHERE name IN ('9999_later', %s)", [newest])
    with pytest.raises(CannotCopy, match="older version"):
        copy_everything(first, server)


@pytest.fixture
def written_meanwhile(monkeypatch):
    """Somebody else writes a vehicle with a revision after the revisions were read, and before the vehicles are."""
    true_read = data_copy._read
    done = []

    def read(model, alias, into=None):
        if model is Vehicle and into is not None:
            with temporary_alias("meanwhile", connections[alias].settings_dict), transaction.atomic(using="meanwhile"):
                with connections["meanwhile"].cursor() as cursor:
                    cursor.execute("SET LOCAL lock_timeout = '200ms'")
                try:
                    made = Vehicle.objects.using("meanwhile").create(name="Meanwhile")
                    Revision.objects.using("meanwhile").create(vehicle=made, number=1, date="2026-01-01")
                    done.append("written")
                except OperationalError:
                    transaction.set_rollback(True, using="meanwhile")
                    done.append("kept waiting")
        return true_read(model, alias, into)

    monkeypatch.setattr(data_copy, "_read", read)
    return done


def test_a_copy_shows_one_moment_while_others_write(db, other, written_meanwhile):
    server, last = other("postgresql", "server"), other("sqlite", "last")
    copy_everything(server, last)
    assert written_meanwhile == ["written"]
    assert (Vehicle.objects.using(server).count(), Vehicle.objects.using(last).count()) == (1, 0)


def test_a_move_keeps_others_from_writing(db, other, written_meanwhile):
    server, last = other("postgresql", "server"), other("sqlite", "last")
    copy_everything(server, last, lock_source=True)
    assert written_meanwhile == ["kept waiting"]


def test_the_tag_of_a_record_survives(season, other):
    """Phones name the version they changed by a tag over the record's content; a move must not change it."""
    server = other("postgresql", "server")
    copy_everything("default", server)
    there, here = (Part.objects.using(alias).exclude(name="Numbers") for alias in (server, "default"))
    tags = [{part.pk: version_of(PartSerializer(part).data) for part in parts} for parts in (there, here)]
    assert tags[0] == tags[1] != {}
