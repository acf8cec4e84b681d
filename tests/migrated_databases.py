"""An empty database that is up to date, made once and copied; and one that is taken from step to step.

For SQLite it is one file of the whole run, for a PostgreSQL server a database there; all workers of a run share them.
"""

import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from django.apps.registry import Apps
from django.contrib.contenttypes.models import ContentType
from django.db import connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.executor import MigrationExecutor

from buildlog.hosting import data_copy
from buildlog.storage.durable_files import locked
from tests.data_folders import manage
from tests.servers import make_database

NAME = "migrated"


def file_in(folder: Path) -> Path:
    """The SQLite file, made by whoever asks first."""
    file = folder / f"{NAME}.sqlite3"
    with locked(folder / f"{NAME}.lock", wait=True):
        if not file.exists():
            _bring_up_to_date(folder / NAME)
            (folder / NAME / "buildlog.sqlite3").rename(file)
    return file


def database_on(server: str, folder: Path) -> str:
    """The name of the database on the server at an address, made by whoever asks first."""
    done = folder / f"{NAME}-on-{server.rpartition(':')[2].partition('/')[0]}"
    with locked(folder / f"{done.name}.lock", wait=True):
        if not done.exists():
            _bring_up_to_date(folder / f"{NAME}-on-server", DATABASE_URL=make_database(server, NAME))
            done.touch()
    return NAME


def _bring_up_to_date(folder: Path, **more: str) -> None:
    output, code = manage(folder, "migrate", "-v0", **more)
    assert code == 0, output


def made_once(folder: Path, make: Callable[[Path], object]) -> Path:
    """A data folder of the whole run, made by whichever worker asks first, for all of them to copy."""
    part = folder.with_name(f"{folder.name}.part")
    with locked(folder.with_name(f"{folder.name}.lock"), wait=True):
        if not folder.exists():
            make(part)
            part.rename(folder)
    return folder


def lay_down(file: Path, folder: Path) -> None:
    """Give the data folder of an installation a copy of the SQLite file, as that installation would have made it."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    shutil.copyfile(file, folder / "buildlog.sqlite3")
    (folder / "buildlog.sqlite3").chmod(0o600)


def filled_once(folder: Path, file: Path, fill: Callable[[Path], object]) -> Path:
    """A data folder of the whole run, with what is filled into a copy of the SQLite file."""

    def make(part: Path) -> None:
        lay_down(file, part)
        fill(part)

    return made_once(folder, make)


def copy_into(connection: BaseDatabaseWrapper, file: Path) -> None:
    """Replace what an open SQLite database holds by what a file holds."""
    connection.ensure_connection()
    with closing(sqlite3.connect(file)) as source:
        source.backup(connection.connection)
    # Their keys are those of the file now.
    ContentType.objects.clear_cache()


@contextmanager
def copied_into_memory(file: Path, address: str) -> Iterator[None]:
    """A database in memory is there for as long as one connection to it is open."""
    with closing(sqlite3.connect(address, uri=True)) as held:
        with closing(sqlite3.connect(file)) as source:
            source.backup(held)
        yield


@contextmanager
def earlier_database(file: Path) -> Iterator[Callable[[str], Apps]]:
    """An empty SQLite database under the alias `earlier`; the function takes it to a step of buildlog's, with models.

    Going there from the newest step and back again takes most of a minute: each step makes all models anew.
    """
    with data_copy.temporary_alias("earlier", data_copy.sqlite_file(file)) as alias:

        def models_at(step: str) -> Apps:
            executor = MigrationExecutor(connections[alias])
            executor.migrate([("buildlog", step)])
            return executor.loader.project_state([("buildlog", step)]).apps

        yield models_at
