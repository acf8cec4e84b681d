"""All that was logged can be edited and deleted on the phone, also after it was sent, and nothing comes back."""

import json
from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.browser.test_field_riding import mark

TINY_JPEG = bytes.fromhex(
    "ffd8ffe000104a46494600010100000100010000ffdb004300080606070605080707070909080a0c140d0c0b0b0c1912130f141d1a1f1e1d1a"
    "1c1c20242e2720222c231c1c2837292c30313434341f27393d38323c2e333432ffc0000b080001000101011100ffc4001f000001050101010101"
    "0100000000000000000102030405060708090a0bffc400b5100002010303020403050504040000017d01020300041105122131410613516107"
    "227114328191a1082342b1c11552d1f02433627282090a161718191a25262728292a3435363738393a434445464748494a535455565758595a"
    "636465666768696a737475767778797a838485868788898a92939495969798999aa2a3a4a5a6a7a8a9aab2b3b4b5b6b7b8b9bac2c3c4c5c6c7"
    "c8c9cad2d3d4d5d6d7d8d9dae1e2e3e4e5e6e7e8e9eaf1f2f3f4f5f6f7f8f9faffda0008010100003f00fbd0ffd9"
)


def logged(phone):
    phone.page.evaluate("() => { location.hash = 'logged'; }")
    expect(phone.page.get_by_role("heading", name="Logged")).to_be_visible()


def row(phone, words):
    return phone.page.locator("ol.records > li").filter(has_text=words)


def board(phone):
    phone.page.evaluate("() => { location.hash = 'board'; }")
    phone.page.wait_for_selector("nav.board")


def test_a_reading_that_was_sent_is_edited_and_only_what_was_changed_is_sent(phone, installation, photograph_phone):
    phone.start_session().read(voltage="54", charge="3").queue(0)
    logged(phone)
    photograph_phone(phone, "logged")
    row(phone, "54 V").get_by_role("link", name="Edit").click()
    phone.page.get_by_role("textbox", name="Voltage").fill("45")
    phone.page.get_by_role("button", name="Save").click()
    installation.comes_to("test_sessions_reading where voltage_v = 45.0 and charge_used_ah = 3.0", 1)


def test_a_pass_that_waits_is_edited_before_it_is_sent(phone, network, installation):
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.to("Time a pass")
    for _ in range(2):
        mark(phone)
        phone.page.wait_for_timeout(500)
    logged(phone)
    row(phone, "Pass 1").get_by_role("link", name="Edit").click()
    phone.page.locator("fieldset.choices").filter(has_text="Direction").get_by_text("Back", exact=True).click()
    phone.page.locator("fieldset.choices").filter(has_text="Does it count").get_by_text("It does not").click()
    phone.page.get_by_label("If not, why?").fill("braked before the mark")
    phone.page.get_by_role("button", name="Save").click()
    network.fault = lambda method, path: ""
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    installation.comes_to("test_sessions_pass", 1)
    assert installation.rows("test_sessions_pass", "direction, valid, invalid_reason") == [
        ("back", 0, "braked before the mark")
    ]


@pytest.mark.parametrize("kind", ["readings", "failures", "photos"])
def test_what_was_sent_is_deleted_here_and_there_and_can_be_restored(phone, installation, kind):
    table = {"readings": "test_sessions_reading", "failures": "buildlog_failure", "photos": "buildlog_photo"}[kind]
    phone.start_session()
    if kind == "readings":
        phone.read(voltage="54")
    elif kind == "failures":
        phone.to("Failure").to("chain came off")
        phone.page.get_by_role("button", name="III").click()
        expect(phone.page.locator("#said")).to_contain_text("Saved on this phone")
    else:
        phone.to("Photo")
        phone.page.set_input_files("#gallery", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": TINY_JPEG})
        phone.page.wait_for_selector("nav.board")
    installation.comes_to(table, 1)
    board(phone)
    phone.queue(0)
    logged(phone)
    phone.page.locator("ol.records").get_by_role("button", name="Delete").click()
    installation.comes_to(table, 0)
    phone.page.get_by_role("button", name="Undo").click()
    installation.comes_to(table, 1)


def test_an_answer_that_comes_after_the_deletion_brings_nothing_back(phone, network, installation):
    """The request is under way while its record is deleted; the server stores it after all."""
    phone.start_session().queue(0)
    network.fault = lambda method, path: "lost reply" if method == "PUT" and "/readings/" in path else ""
    phone.read(voltage="54")
    installation.comes_to("test_sessions_reading", 1)
    logged(phone)
    row(phone, "54 V").get_by_role("button", name="Delete").click()
    network.fault = lambda method, path: ""
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    installation.comes_to("test_sessions_reading", 0)
    expect(row(phone, "54 V")).to_have_count(0)


def test_a_file_imported_after_the_deletion_brings_nothing_back(phone, network, installation):
    """Saved to a file while it waited, deleted before it was ever sent, and then the file is imported at the desk."""
    phone.start_session().queue(0)
    network.fault = lambda method, path: "down"
    phone.read(voltage="54")
    phone.page.evaluate("() => { location.hash = 'waiting'; }")
    with phone.page.expect_download() as download:
        phone.page.get_by_role("button", name="Save to a file").click()
    saved = json.loads(Path(download.value.path()).read_text())
    [reading] = [record for record in saved["records"] if record["kind"] == "readings"]
    logged(phone)
    row(phone, "54 V").get_by_role("button", name="Delete").click()
    expect(row(phone, "54 V")).to_have_count(0)
    network.fault = lambda method, path: ""
    answer = phone.page.evaluate(
        """async ([id, payload]) => (await fetch(`/api/v1/readings/${id}/`, { method: "PUT", headers: {
            "Content-Type": "application/json", "If-None-Match": "*",
            "X-CSRFToken": document.cookie.match(new RegExp(`${document.body.dataset.csrfCookie}=([^;]+)`))?.[1] ?? "",
        }, body: JSON.stringify(payload) })).status""",
        [reading["id"], reading["payload"]],
    )
    assert answer == 201
    installation.comes_to("test_sessions_reading", 1)
    # The phone looks for what it deleted, and deletes it there too.
    phone.page.reload()
    phone.ready()
    installation.comes_to("test_sessions_reading", 0)


def test_a_failure_goes_with_its_photo(phone, installation):
    phone.start_session().to("Failure").to("chain came off")
    phone.page.get_by_role("button", name="III").click()
    phone.to("Photo of it")
    phone.page.set_input_files("#gallery", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": TINY_JPEG})
    installation.comes_to("buildlog_photo", 1)
    logged(phone)
    row(phone, "chain came off").get_by_role("button", name="Delete").click()
    installation.comes_to("buildlog_failure", 0)
    installation.comes_to("buildlog_photo", 0)
