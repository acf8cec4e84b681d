"""Numbers on every page of the demo have no more digits than their uncertainty allows (JCGM 100:2008, 7.2.6)."""

import html
import re
from collections import Counter

import pytest
from django.test import Client

from sessions.demo import loading

pytestmark = pytest.mark.django_db
ELSEWHERE = re.compile(r"^/(static|api|media|help|methods|accounts)|/remove/|out/|original|csv|zip|archive")
NUMBER = r"[−+-]?\d+(?:\.\d+)?"
WITH_UNCERTAINTY = re.compile(rf"({NUMBER}) ± (\d+(?:\.\d+)?)")
LIMITS = re.compile(rf"({NUMBER})(?: km/h| Wh/km| km)? \(?\s*({NUMBER}) to ({NUMBER})")
DECIMALS = re.compile(r"(?<![\d.:\w-])\d+\.\d+(?![\d.]*\d)")
ALLOWED = ("61.0412", "24.9175", "46039.4621")
"""Places in degrees are written to ten metres; the last is an example of a spreadsheet's day and time."""
OF_A_KIND, FEWEST_PAGES = 4, 80
KEY = re.compile(r"[0-9a-f]{8}-[0-9a-f-]{27}")


def pages_of(client):
    """Each page that links lead to; of pages of one kind a few, of those that differ by their address's query one."""
    waiting, seen, kinds = ["/"], set(), Counter()
    while waiting:
        path = waiting.pop(0)
        if path in seen or ELSEWHERE.search(path):
            continue
        seen.add(path)
        kinds[KEY.sub("*", path)] += 1
        if kinds[KEY.sub("*", path)] > OF_A_KIND:
            continue
        answer = client.get(path, follow=True)
        if answer.status_code != 200 or "text/html" not in answer["Content-Type"]:
            continue
        page = answer.content.decode()
        yield path, page
        waiting += [html.unescape(link) for link in re.findall(r'href="(/[^"#?]*)', page)]


def text_of(page):
    page = re.sub(r"(?s)<(script|style|svg)\b.*?</\1>", " ", page)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page)))


def decimals(number):
    return len(number.partition(".")[2])


def significant(number):
    return len(number.lstrip("+−-").replace(".", "").lstrip("0"))


def too_many(text):
    """What of a text is written with more digits than it may be, or a value not to the place of its uncertainty."""
    odd = []
    for value, spread in WITH_UNCERTAINTY.findall(text):
        two = float(f"{float(spread):.1e}") == float(spread) and significant(spread) >= 2
        if not two or decimals(value) != decimals(spread):
            odd.append(f"{value} ± {spread}")
    # What stands behind a ± is a span of other numbers, such as of earlier sessions.
    others = WITH_UNCERTAINTY.sub(" ", text)
    for value, lower, upper in LIMITS.findall(others):
        if "." in lower + upper and not decimals(value) == decimals(lower) == decimals(upper):
            odd.append(f"{value} ({lower} to {upper})")
    odd += [number for number in DECIMALS.findall(others) if significant(number) > 4 and number not in ALLOWED]
    return odd


@pytest.mark.parametrize(
    ("text", "odd"),
    [
        ("Speed 49.09 ± 0.90 km/h", []),
        ("Power 41100 ± 3700 W, 2420 ± 100 Wh", []),
        ("Speed 49.1 ± 0.90 km/h", ["49.1 ± 0.90"]),
        ("Power 41077 ± 3674 W", ["41077 ± 3674"]),
        ("Time 7.3 ± 0.1 s", ["7.3 ± 0.1"]),
        ("Mean 50 km/h 49.06 to 50.95 km/h", ["50 (49.06 to 50.95)"]),
        ("0.283333333333 min", ["0.283333333333"]),
        ("on 2026-01-17 at 11:05, 58.8 V", []),
    ],
)
def test_the_check_itself(text, odd):
    assert too_many(text) == odd


@pytest.mark.parametrize("system", ["metric", "imperial"])
def test_no_page_writes_more_digits_than_its_numbers_have(make_account, system):
    loading.load()
    owner = make_account("owner")
    owner.unit_system = system
    owner.save()
    client = Client()
    client.force_login(owner)
    odd, count = {}, 0
    for path, page in pages_of(client):
        count += 1
        result = too_many(text_of(page))
        typed = [
            value
            for value in re.findall(r'<input[^>]*value="([^"]*)"', page)
            for number in re.findall(r"\d+\.\d+", value)
            if significant(number) > 7 and not value.startswith("{")
        ]
        if result + typed:
            odd[path] = result + typed
    assert odd == {}
    assert count >= FEWEST_PAGES
