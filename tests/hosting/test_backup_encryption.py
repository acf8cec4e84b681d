"""Backups that only their owner can read: made, tried, compared, restored elsewhere with the key, and lost without."""

import io
import stat
import zipfile
from datetime import UTC, datetime, timedelta

import pyrage
import pytest
from django.core.management import CommandError, call_command
from pyrage import x25519

from buildlog.hosting import checks, update
from buildlog.hosting.backups import encryption, making, package, restoring, retention
from buildlog.hosting.backups import status as backup_status
from buildlog.hosting.backups.encryption import NeedsKey
from buildlog.hosting.backups.package import NotABackup
from tests.data_folders import content, manage, rows

pytestmark = pytest.mark.own_database

NOW = datetime(2026, 1, 17, 11, 0, tzinfo=UTC)


@pytest.fixture
def keys(settings):
    secret, public = encryption.new_key()
    settings.BACKUP_PUBLIC_KEY = public
    return secret


@pytest.fixture
def backup(data, keys):
    return making.make_backup(data, now=NOW).path


def test_nothing_of_it_can_be_read_without_a_key_and_nothing_plain_is_left(data, backup):
    assert backup.name.endswith(".zip.age")
    assert stat.S_IMODE(backup.stat().st_mode) == 0o600
    sealed = backup.read_bytes()
    assert sealed.startswith(b"age-encryption.org/v1\n")  # the format's first line: age-encryption.org/v1, "Header"
    assert not zipfile.is_zipfile(io.BytesIO(sealed))
    for word in (b"SQLite format", b"manifest.json", (data / "secret_key").read_bytes()):
        assert word not in sealed
    left = [path.name for folder in (data, backup.parent) for path in folder.iterdir() if ".zip" in path.name]
    assert left == [backup.name]


def test_another_program_of_the_format_opens_it_with_the_owners_key(backup, keys):
    """pyrage's own call on bytes, which is not the one that we use on files."""
    plain = pyrage.decrypt(backup.read_bytes(), [x25519.Identity.from_str(keys)])
    with zipfile.ZipFile(io.BytesIO(plain)) as packed:
        assert packed.testzip() is None
        assert "database.sqlite3" in packed.namelist()


def test_on_another_machine_the_key_brings_all_of_it_back(data, backup, keys, tmp_path):
    before, fresh, key = rows(data / "buildlog.sqlite3"), tmp_path / "fresh", tmp_path / "key"
    output, code = manage(fresh, "restore", str(backup))
    assert code == 1
    assert "The backup is encrypted. Give the secret key" in output
    other, _ = encryption.new_key()
    key.write_text(other)
    output, code = manage(fresh, "restore", str(backup), "--key-file", str(key))
    assert code == 1
    assert "This key does not open the backup" in output
    assert "Without the right one nobody can read it" in output
    assert not (fresh / "buildlog.sqlite3").exists()
    key.write_text(f"# the sled's log\n{keys}\n")
    output, code = manage(fresh, "restore", str(backup), "--key-file", str(key))
    assert code == 0, output
    assert rows(fresh / "buildlog.sqlite3") == before
    assert content(fresh / "media") == content(data / "media")
    assert not list(fresh.glob(".decrypted-*"))
    assert not (fresh / encryption.OWN_KEY).exists(), "the key of the machine that made it is in no backup"


def test_the_log_that_made_it_opens_it_without_a_key(data, backup):
    with encryption.readable(backup, data) as plain:
        assert package.read(plain).counts["buildlog_photo"] == 5
    assert encryption.opens_here(backup, data)
    (data / encryption.OWN_KEY).unlink()
    assert not encryption.opens_here(backup, data)
    with pytest.raises(NeedsKey), encryption.readable(backup, data):
        pass


@pytest.mark.parametrize("slip", ["AGE-SECRET-KEY-1QQQ", "age1lost", "my dog's name"])
def test_a_slip_in_the_key_is_said_as_one(data, backup, slip):
    with pytest.raises(NeedsKey, match="not a secret key: look for a slip"), encryption.readable(backup, data, slip):
        pass


def test_a_key_typed_from_paper_may_have_spaces_and_small_letters(data, backup, keys):
    (data / encryption.OWN_KEY).unlink()
    written = f" {keys[:20].lower()} {keys[20:50]}\n{keys[50:]} "
    with encryption.readable(backup, data, written) as plain:
        assert package.read(plain)


@pytest.mark.parametrize("place", [0.3, 0.5, 0.9, 0.999])
def test_a_damaged_one_is_refused_and_leaves_nothing(data, backup, place):
    damaged = bytearray(backup.read_bytes())
    damaged[int(len(damaged) * place)] ^= 1
    backup.write_bytes(damaged)
    with pytest.raises(NotABackup, match="damaged"):
        restoring.restore(backup, data)
    assert not list(data.glob(".decrypted-*"))


def test_a_file_that_changed_on_the_disk_is_still_noticed(data, backup):
    photo = next((data / "media" / "photos").glob("*-small.jpg"))
    photo.write_bytes(photo.read_bytes()[:-1] + b"?")
    making.make_backup(data, now=NOW + timedelta(days=1))
    (damaged,) = backup_status.read(data).damaged_files
    assert (damaged.name, damaged.backup) == (f"photos/{photo.name}", str(backup))
    call_command("restore", str(backup), upload=damaged.name)
    making.make_backup(data, now=NOW + timedelta(days=2))
    assert backup_status.read(data).damaged_files == ()


def test_plain_and_encrypted_ones_follow_one_rule_of_keeping(data, keys, settings):
    settings.BACKUP_PUBLIC_KEY = ""
    plain = making.make_backup(data, now=NOW).path
    settings.BACKUP_PUBLIC_KEY = encryption.new_key()[1]
    later = making.make_backup(data, now=NOW + timedelta(hours=30)).path
    assert [item.path for item in retention.backups_in(data / "backups")] == [later, plain]
    same_second = making.make_backup(data, now=NOW + timedelta(hours=30)).path
    assert same_second.name == later.name.replace(".zip.age", "-2.zip.age")
    assert retention.backups_in(data / "backups")[0].path == same_second


def test_the_way_back_before_an_update_finds_an_encrypted_one(data, keys):
    before = making.make_backup(data, before_update=True, now=NOW).path
    assert update._newest_to_go_back_to() == before


def test_the_command_shows_a_pair_of_keys_and_keeps_neither(data, capsys):
    before = content(data)
    call_command("backup_key")
    output = capsys.readouterr().out
    secret = next(word for word in output.split() if word.startswith("AGE-SECRET-KEY-1"))
    public = next(word for word in output.split() if "BUILDLOG_BACKUP_PUBLIC_KEY=" in word).partition("=")[2]
    assert str(x25519.Identity.from_str(secret).to_public()) == public
    assert "If it is lost, nobody can read the backups" in output
    assert content(data) == before


def test_the_secret_key_is_not_taken_for_a_setting(tmp_path):
    secret, public = encryption.new_key()
    output, code = manage(tmp_path / "data", "check", BUILDLOG_BACKUP_PUBLIC_KEY=secret)
    assert code != 0
    assert "must be the public key, which begins with age1" in output
    assert secret not in output
    output, code = manage(tmp_path / "data", "check", BUILDLOG_BACKUP_PUBLIC_KEY=public)
    assert code == 0, output


def test_the_example_of_the_settings_is_no_key_of_anybody(settings):
    from buildlog.hosting.environment import EXAMPLE_PUBLIC_KEY

    settings.BACKUP_PUBLIC_KEY = EXAMPLE_PUBLIC_KEY
    assert "buildlog.E013" in {message.id for message in checks.check_surroundings(None)}


def test_a_wrong_key_file_is_said(backup, tmp_path):
    with pytest.raises(CommandError, match="cannot be read"):
        call_command("restore", str(backup), key_file=str(tmp_path / "none"))
