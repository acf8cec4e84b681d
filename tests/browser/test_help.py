"""The help pages on both screens, light and dark."""

import itertools

import pytest

from buildlog.hosting.help_pages import SLUGS
from tests.browser.accessibility import broken_rules
from tests.browser.sizes import ONE_SIZE, SIZES, resize
from tests.browser.test_main_job import fits

pytestmark = pytest.mark.django_db(transaction=True)


@ONE_SIZE
def test_help_is_readable_on_every_screen(page, live_server, make_account, photograph):
    make_account("reader", "ilo")
    page.goto(live_server.url + "/sign-in/")
    page.get_by_label("Username").fill("ilo")
    page.get_by_label("Password").fill("frost-and-chain-77")
    page.get_by_role("button", name="Sign in").click()
    page.goto(live_server.url + "/settings/")
    for size in SIZES:
        resize(page, size)
        page.get_by_role("link", name="Help").click(trial=True)
    page.get_by_role("link", name="Help").click()
    assert page.locator("main h1").inner_text() == "Help"
    for slug in ("", *SLUGS):
        page.goto(f"{live_server.url}/help/{slug}/" if slug else f"{live_server.url}/help/")
        for size, scheme in itertools.product(SIZES, ("light", "dark")):
            resize(page, size)
            page.emulate_media(color_scheme=scheme)
            photograph(f"help-{scheme}-{slug or 'index'}")
            assert fits(page), (slug, size)
            assert broken_rules(page) == [], (slug, size, scheme)
