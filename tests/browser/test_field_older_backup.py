"""What the server had confirmed, and has no more: after an older backup, and after a deletion at the desk."""

import shutil

import pytest
from playwright.sync_api import expect

from tests.browser.faulty_network import FaultyNetwork
from tests.browser.installation import Installation
from tests.browser.phone import SCREEN, Phone
from tests.browser.queued import at_the_desk, copy_database, end, take_photo, time_a_pass, waiting
from tests.browser.waits import wait_until


@pytest.fixture
def own_place(filled_installation, tmp_path):
    made = Installation.copy_of(filled_installation, tmp_path / "data").start()
    yield made
    made.kill()


@pytest.mark.parametrize("way", ["restore", "by hand"])
def test_after_an_older_backup_was_put_back_the_phone_offers_what_it_has(
    own_place, browser, tmp_path, way, photograph_phone
):
    network = FaultyNetwork(own_place.port)
    context = browser.new_context(**SCREEN)
    phone = Phone(context, network.url).sign_in()
    phone.start_session().queue(0)
    if way == "restore":
        output = own_place.run("backup", "--to", str(tmp_path / "backup.zip"))
        assert output.returncode == 0, output.stdout
    else:
        copy_database(own_place.folder / "buildlog.sqlite3", tmp_path / "copy.sqlite3")
    phone.read(voltage="50")
    time_a_pass(phone)
    take_photo(phone).note("all confirmed").queue(0)
    own_place.kill()
    if way == "restore":
        output = own_place.run("restore", str(tmp_path / "backup.zip"))
        assert output.returncode == 0, output.stdout
    else:
        for name in ("buildlog.sqlite3-wal", "buildlog.sqlite3-shm"):
            (own_place.folder / name).unlink(missing_ok=True)
        shutil.copy(tmp_path / "copy.sqlite3", own_place.folder / "buildlog.sqlite3")
    own_place.start()
    try:
        phone.page.reload()
        phone.ready()
        lost = phone.page.locator("#lost")
        expect(lost).to_contain_text(
            "The server has lost 4 records that it had confirmed; it may have been restored", timeout=15000
        )
        expect(phone.page.locator("#queue")).to_contain_text("on the server 2.")
        photograph_phone(phone, f"went-back-{way.replace(' ', '-')}")
        assert own_place.count("test_sessions_reading") == 0
        lost.get_by_role("button", name="Send again").click()
        phone.queue(0, 6)
        expect(lost).to_have_count(0)
        assert sorted(own_place.rows("test_sessions_reading", "voltage_v, note"), key=str) == [
            (50.0, ""), (None, "all confirmed"),
        ]  # fmt: skip
        assert [own_place.count(f"test_sessions_{item}") for item in ("session", "pass", "gonogocheck")] == [1, 1, 1]
        assert own_place.count("buildlog_photo") == 1
        phone.page.reload()
        phone.ready().queue(0, 6)
        expect(lost).to_have_count(0)
        assert own_place.count("test_sessions_reading") == 2
        assert phone.errors == []
    finally:
        context.close()
        network.close()


def test_the_end_of_a_session_that_a_backup_does_not_have_is_offered_too(phone, installation, tmp_path):
    phone.start_session().queue(0)
    copy_database(installation.folder / "buildlog.sqlite3", tmp_path / "copy.sqlite3")
    end(phone.page, charge="8.4")
    expect(phone.page.locator(".queue").first).to_contain_text("are on the server")
    copy_database(tmp_path / "copy.sqlite3", installation.folder / "buildlog.sqlite3")
    assert installation.rows("test_sessions_session", "charge_used_ah") == [(None,)]
    phone.page.reload()
    phone.ready()
    expect(phone.page.locator("#lost")).to_contain_text("1 record is back at an earlier version")
    phone.page.get_by_role("button", name="Send again").click()
    expect(phone.page.locator("#lost")).to_have_count(0)
    wait_until(
        lambda: installation.rows("test_sessions_session", "charge_used_ah") == [(8.4,)], "the later version is missing"
    )


def test_what_was_deleted_at_the_desk_does_not_come_back_by_itself(phone, installation, photograph_phone):
    phone.start_session().read(voltage="50").note("stays").queue(0)
    [reading] = [item for item in phone.kept("acknowledged") if item["stored"].get("voltage_v") == 50]
    assert at_the_desk(phone, "DELETE", f"readings/{reading['id']}/")[0] == 200
    phone.page.reload()
    phone.ready().queue(0, 3)
    assert phone.page.locator("#lost").count() == 0
    page = waiting(phone)
    expect(page.locator("#removed")).to_contain_text("1 confirmed record is not on the server: deleted at the desk")
    assert installation.count("test_sessions_reading") == 1
    page.locator("#removed summary").click()
    photograph_phone(phone, "deleted-at-the-desk")
    page.get_by_role("button", name="Restore it").click()
    installation.comes_to("test_sessions_reading", 2)


def test_confirmed_pictures_make_room(phone, installation):
    """With little room only the newest confirmed pictures stay; the page says so."""
    phone.page.add_init_script("navigator.storage.estimate = async () => ({quota: 5_000_000, usage: 0});")
    phone.open().start_session()
    for _ in range(4):
        take_photo(phone, 700)
    phone.queue(0, 6)
    kept = phone.kept("photos")
    assert 0 < len(kept) < 4
    assert sum(item["bytes"] for item in kept) <= 1_000_000
    expect(waiting(phone).locator("#kept")).to_contain_text(f"4 photos among them: {len(kept)} with the picture")
    assert installation.count("buildlog_photo") == 4


# Two versions of one record.
