"""Data folders of whole installations, as `manage.py` makes them, for tests of what happens to them."""

import hashlib
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

from tests.servers import without_settings

PROJECT = Path(__file__).resolve().parents[1]
FILL = """
import io
from PIL import Image
from django.core.files.uploadedfile import SimpleUploadedFile
from buildlog.models import Account, Failure
from buildlog.photos.pictures import store_photo
from sessions.demo import loading
from sessions.logs.ingest import read_stored, store_log
from sessions.models import Session

loading.load()
Account.objects.create_user("mara", password="frost-and-chain-77", role="owner")
for shade, failure in enumerate(Failure.objects.all()[:3]):
    held = io.BytesIO()
    Image.new("RGB", (90, 60), (60 * shade, 90, 120)).save(held, "JPEG")
    store_photo(SimpleUploadedFile("x.jpg", held.getvalue(), "image/jpeg"), failure=failure)
points = "".join(f'<trkpt lat="60.00{n}" lon="25"/>' for n in range(9))
head = '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="t">'
text = f"{head}<trk><trkseg>{points}</trkseg></trk></gpx>"
read_stored(store_log(Session.objects.first(), SimpleUploadedFile("track.gpx", text.encode())))
"""


def environment(folder, **more):
    """On SQLite, whichever kind of database the run is on; unless more is told."""
    return {**without_settings(), "BUILDLOG_DATA_DIR": str(folder), "PYTHONUNBUFFERED": "1", **more}


def manage(folder, *arguments, project=PROJECT, **more):
    """Run one command on a data folder, and return what it said and its exit code."""
    done = subprocess.run(
        [sys.executable, "manage.py", *arguments], cwd=project, env=environment(folder, **more), text=True,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip
    return done.stdout, done.returncode


def fill(folder, **more):
    """Put the records into an installation whose database is up to date."""
    output, code = manage(folder, "shell", "-v0", "-c", FILL, **more)
    assert code == 0, output


def load_season(folder):
    """Put the invented season, and nothing else, into an installation whose database is up to date."""
    output, code = manage(folder, "shell", "-v0", "-c", "from sessions.demo import loading; loading.load()")
    assert code == 0, output


def collect_static_files(folder):
    """Make a data folder with the static files of this version, and nothing else."""
    folder.mkdir(mode=0o700)
    script = "from django.conf import settings; from buildlog.hosting.static_files import collect_once\n"
    output, code = manage(folder, "shell", "-v0", "-c", script + "collect_once(settings.DATA, print)")
    assert code == 0, output


def lay_static_files(collected, folder):
    """Give a data folder the static files of another, so that a server on it has none to collect."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    for files in collected.glob("static-*"):
        (folder / files.name).symlink_to(files)


def content(folder):
    """Every file under a folder by its hash, but for locks and the files SQLite keeps while it works."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(Path(folder).rglob("*"))
        if path.is_file() and path.suffix != ".lock" and not path.name.endswith(("-wal", "-shm"))
    }


def rows(database, columns_of=None):
    """The hash of every table's rows, whatever their order; of the columns named for it, or of all."""
    results = {}
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as connection:
        names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
        for table in columns_of or sorted(name for (name,) in names):
            columns = columns_of[table] if columns_of else sorted(
                row[1] for row in connection.execute(f'PRAGMA table_info("{table}")')
            )  # fmt: skip
            listed = ", ".join(f'"{column}"' for column in columns)
            held = sorted(repr(row) for row in connection.execute(f'SELECT {listed} FROM "{table}"'))  # noqa: S608
            results[table] = hashlib.sha256("\n".join(held).encode()).hexdigest()
    return results
