"""Every page of the demo in a browser: rules of accessibility, how long and wide it is, and what script it fetches."""

import pytest

from buildlog.models import Account
from sessions.demo import loading
from tests.browser.accessibility import broken_rules
from tests.browser.every_page import FORMS, addresses

pytestmark = pytest.mark.django_db(transaction=True)

MOST_BEFORE_FOLDS_PX = 3 * 844
"""Three screens of a phone."""
TEXTS = {"help_page", "notebook"}
"""Pages for reading from top to bottom, and one that is as long as the file that it shows."""
MOST_SCRIPT_BYTES = 20_000
UNFOLD = "() => document.querySelectorAll('main details').forEach((fold) => { fold.open = true; })"
HEIGHT = "() => document.documentElement.scrollHeight"
FITS = "() => document.documentElement.scrollWidth <= window.innerWidth"


@pytest.fixture
def pages(page, live_server, make_account):
    """The address of every page; the browser is signed in as an owner."""
    loading.load()
    make_account("owner", "ilo")
    page.goto(live_server.url + "/sign-in/")
    page.get_by_label("Username").fill("ilo")
    page.get_by_label("Password").fill("frost-and-chain-77")
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(live_server.url + "/")
    return {name: live_server.url + path for name, path in addresses(Account.objects.get(username="ilo")).items()}


def test_no_page_breaks_a_rule_is_too_long_or_too_wide_or_fetches_much_script(page, pages):
    fetched = []
    page.on("response", lambda answer: fetched.append(answer) if answer.url.split("?")[0].endswith(".js") else None)
    wrong, most = {}, {"height": ("", 0), "script": ("", 0)}
    for name, address in pages.items():
        fetched.clear()
        page.goto(address)
        page.wait_for_load_state("networkidle")
        results = []
        if rules := broken_rules(page):
            results.append(rules)
        if not page.evaluate(FITS):
            results.append("wider than the screen")
        script_bytes = sum(len(answer.body()) for answer in fetched if answer.ok)
        most["script"] = max(most["script"], (name, script_bytes), key=lambda row: row[1])
        if script_bytes > MOST_SCRIPT_BYTES:
            results.append(f"{script_bytes} bytes of script")
        if page.size_name == "phone":
            height = page.evaluate(HEIGHT)
            if name not in FORMS | TEXTS:
                most["height"] = max(most["height"], (name, height), key=lambda row: row[1])
                if height > MOST_BEFORE_FOLDS_PX:
                    results.append(f"{height} px long")
        page.evaluate(UNFOLD)
        # What is drawn when its fold opens is drawn now.
        page.wait_for_load_state("networkidle")
        if rules := broken_rules(page):
            results.append(f"unfolded: {rules}")
        if not page.evaluate(FITS):
            results.append("unfolded: wider than the screen")
        if results:
            wrong[name] = results
    print(f"\n{page.size_name}: {len(pages)} pages; most script {most['script']}, longest {most['height']}")
    for name, results in wrong.items():
        print(f"{name}: {results}")
    assert sorted(wrong) == []


@pytest.mark.parametrize("page", ["desktop"], indirect=True)
def test_every_page_fits_a_narrow_phone_and_twice_the_size(page, pages):
    """WCAG 2.2, 1.4.10 Reflow: 320 CSS pixels; 1.4.4 Resize Text: 1280 px at 200 % are 640."""
    wide = []
    for name, address in pages.items():
        for width in (320, 640):
            page.set_viewport_size({"width": width, "height": 800})
            page.goto(address)
            if not page.evaluate(FITS):
                wide.append((name, width))
    assert wide == []
