"""Every page of the demo in a browser: rules of accessibility, how long and wide it is, and what script it fetches."""

import re

import pytest

from buildlog.models import Failure, Part
from tests.browser.accessibility import broken_rules
from tests.browser.every_page import FORMS, addresses
from tests.browser.sizes import ONE_SIZE, resize
from tests.browser.waits import Requests

pytestmark = pytest.mark.django_db(transaction=True)

MOST_BEFORE_FOLDS_PX = 3 * 844
"""Three screens of a phone."""
TEXTS = {"help_page", "notebook"}
"""Pages for reading from top to bottom, and one that is as long as the file that it shows."""
MOST_SCRIPT_BYTES = 20_000
NARROW_PX = (640, 320)
"""WCAG 2.2, 1.4.4 Resize Text: 1280 px at 200 % are 640; 1.4.10 Reflow: 320 CSS pixels, which are 1280 at 400 %."""
READS_SIZE = re.compile(rb"[wW]idth|ClientRect|ResizeObserver")
"""What a script has that draws by the size that it finds. A page without one is the same opened at a width as widened
to it: for 131 of 139 pages, the place, size and colours of every element were compared."""
FOLDED = "main details:not([open])"
UNFOLD = f"""() => {{ for (const fold of document.querySelectorAll("{FOLDED}")) fold.open = true; }}"""
HEIGHT = "() => document.documentElement.scrollHeight"
FITS = "() => document.documentElement.scrollWidth <= window.innerWidth"


@pytest.fixture
def pages(live_server, machine_of_the_season, signed_in):
    """The address of every page, and of some in another state; the browser is signed in as an owner."""
    paths = addresses(signed_in("owner"))
    paths["difference of two revisions"] = f"{machine_of_the_season.get_absolute_url()}difference/?from=3&to=4"
    paths["first failure"] = Failure.objects.first().get_absolute_url()
    paths["first battery"] = Part.objects.filter(category="battery_module").first().get_absolute_url()
    return {name: live_server.url + path for name, path in paths.items()}


@ONE_SIZE
def test_no_page_breaks_a_rule_is_too_long_or_too_wide_or_fetches_much_script(page, pages, photograph):
    """On a phone, then on a desk, each also with all its folds open."""
    requests, fetched, scripts = Requests(page), [], []
    page.on("response", lambda answer: fetched.append(answer) if answer.url.split("?")[0].endswith(".js") else None)
    wrong, most, folded = {}, {"height": ("", 0), "script": ("", 0)}, 0

    def wrong_on(size, state=""):
        requests.wait_until_settled()
        photograph(f"page-{name}{state}")
        if rules := broken_rules(page):
            yield f"{size}{state}: {rules}"
        if not page.evaluate(FITS):
            yield f"{size}{state}: wider than the screen"

    def opened(address, size):
        fetched.clear()
        resize(page, size)
        page.goto(address)
        yield from wrong_on(size)
        scripts[:] = [answer.body() for answer in fetched if answer.ok]
        script_bytes = sum(map(len, scripts))
        most["script"] = max(most["script"], (name, script_bytes), key=lambda row: row[1])
        if script_bytes > MOST_SCRIPT_BYTES:
            yield f"{script_bytes} bytes of script"

    for name, address in pages.items():
        results = [*opened(address, "phone")]
        height = page.evaluate(HEIGHT)
        if name not in FORMS | TEXTS:
            most["height"] = max(most["height"], (name, height), key=lambda row: row[1])
            if height > MOST_BEFORE_FOLDS_PX:
                results.append(f"{height} px long")
        draws = any(READS_SIZE.search(script) for script in scripts)
        has_folds = page.locator(FOLDED).count() > 0
        folded += has_folds
        if draws and has_folds:
            page.evaluate(UNFOLD)
            results += wrong_on("phone", ", unfolded")
        if draws:
            results += opened(address, "desktop")
        else:
            resize(page, "desktop")
            results += wrong_on("desktop")
        results += [f"wider than {width} px" for width in too_narrow(page, requests)]
        # Without a fold, the page would be tried twice as it is. What is drawn when its fold opens is drawn now.
        if has_folds:
            page.evaluate(UNFOLD)
            results += wrong_on("desktop", ", unfolded")
            if not draws:
                resize(page, "phone")
                results += wrong_on("phone", ", unfolded")
        if results:
            wrong[name] = results
    print(f"\n{len(pages)} pages, {folded} with folds; most script {most['script']}, longest {most['height']}")
    for name, results in wrong.items():
        print(f"{name}: {results}")
    assert sorted(wrong) == []


def too_narrow(page, requests):
    """The widths that the page does not fit when its text is enlarged, which narrows an open page."""
    size, results = page.viewport_size, []
    for width in NARROW_PX:
        page.set_viewport_size({**size, "width": width})
        requests.wait_until_settled()
        if not page.evaluate(FITS):
            results.append(width)
    page.set_viewport_size(size)
    requests.wait_until_settled()
    return results
