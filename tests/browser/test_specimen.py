"""The specimen page: every component in each state, light, dark and on paper, without an error in the console."""

import itertools

import pytest

from tests.browser.accessibility import broken_rules
from tests.browser.sizes import ONE_SIZE, SIZES, resize
from tests.browser.test_main_job import fits

TEXT_SIZES = """() => [...new Set([...document.querySelectorAll("main *:not(svg *):not(code, kbd)")]
      .filter((part) => [...part.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim()))
      .map((part) => getComputedStyle(part).fontSize))]"""
pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.urls("tests.browser.specimen_addresses")]


@ONE_SIZE
def test_every_component_is_drawn_and_can_be_read(page, live_server, make_account, photograph):
    errors = []
    page.on("console", lambda message: errors.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: errors.append(str(error)))
    make_account("owner", "ilo")
    page.goto(live_server.url + "/sign-in/")
    page.get_by_label("Username").fill("ilo")
    page.get_by_label("Password").fill("frost-and-chain-77")
    page.get_by_role("button", name="Sign in").click()
    page.goto(live_server.url + "/specimen/")
    assert page.locator("main h1").inner_text() == "Specimen: a title"
    for size, scheme in itertools.product(SIZES, ("light", "dark")):
        resize(page, size)
        page.emulate_media(color_scheme=scheme)
        photograph(f"specimen-{scheme}")
        assert fits(page)
        assert broken_rules(page) == [], (size, scheme)
        text_sizes = page.evaluate(TEXT_SIZES)
        assert len(text_sizes) <= 5, text_sizes
    for size, scheme in itertools.product(SIZES, ("light", "dark")):
        resize(page, size)
        page.emulate_media(color_scheme=scheme, media="print")
        photograph(f"specimen-{scheme}-paper")
        assert page.locator("main button:visible").count() == 0
    assert errors == []
