"""What tests do with the queue of a phone, and at the desk beside it."""

import contextlib
import io
import os
import re
import sqlite3

from PIL import Image
from playwright.sync_api import expect


def online(phone):
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")


def time_a_pass(phone):
    phone.to("Time a pass")
    phone.tap_both_marks()
    phone.page.wait_for_selector("#speed")
    return phone.to("Board")


def take_photo(phone, size=400):
    picture = io.BytesIO()
    Image.frombytes("RGB", (size, size), os.urandom(size * size * 3)).save(picture, "JPEG", quality=90)
    phone.to("Photo")
    file = {"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": picture.getvalue()}
    phone.page.get_by_label("Choose one").set_input_files(file)
    expect(phone.page.locator("#said")).to_contain_text("saved on this phone")
    phone.page.wait_for_selector("nav.board")
    return phone


def at_the_desk(phone, method, path, **content):
    """As somebody does at the desk: through the API, with the sign-in of another browser."""
    return phone.page.evaluate(
        """async ([method, path, content]) => {
            const csrf = document.cookie.split("firnlog_csrf=")[1].split(";")[0];
            const there = await fetch(`/api/v1/${path}`, {cache: "no-store"});
            const version = there.ok ? (await there.json()).version : "";
            const answer = await fetch(`/api/v1/${path}`, {method, headers: {"Content-Type": "application/json",
                "X-CSRFToken": csrf}, body: method === "DELETE" ? undefined : JSON.stringify({...content, version})});
            return [answer.status, await answer.text()];
        }""",
        [method, path, content],
    )


def key_of(installation, table):
    [(key,)] = installation.rows(table, "id")
    return str(key) if "-" in str(key) else re.sub(r"(.{8})(.{4})(.{4})(.{4})(.{12})", r"\1-\2-\3-\4-\5", str(key))


def copy_database(source, target):
    with (
        contextlib.closing(sqlite3.connect(source)) as whence,
        contextlib.closing(sqlite3.connect(target)) as whither,
    ):
        whence.backup(whither)


def waiting(phone):
    if not phone.page.url.endswith("#waiting"):
        # Where it offers Undo, the message of what was saved lies over the queue for a quarter of a minute.
        phone.page.evaluate("() => document.querySelector('#said .quiet')?.click()")
        phone.page.locator("#queue").click()
    expect(phone.page.get_by_role("heading", name="Waiting")).to_be_visible()
    return phone.page


# One bad record.


def end(page, **values):
    labels = {"rest": "Rest voltage after", "charge": "Charge used", "distance": "Distance ridden"}
    if not page.url.split("/")[-1].startswith("#end"):
        page.get_by_role("link", name="End", exact=True).click()
    for name, value in values.items():
        page.get_by_role("textbox", name=labels[name]).fill(value)
    page.locator("button.first", has_text=re.compile("End session|Save")).click()
