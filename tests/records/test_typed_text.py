"""What somebody types is stored as it is, and written out for the place where it stands (ASVS 5.0, 1.1.1 to 1.2.3)."""

import json
import re
from html.parser import HTMLParser
from urllib.parse import parse_qs, urlsplit

import pytest

from buildlog.machines.models import Part, Vehicle

# Encoded once and twice, for pages, addresses and scripts: each must come back as it was typed.
TYPED = """a&lt;b&gt; %3Cb%3E %253Cb%253E \\u003cb "x" onmouseover='y' </script><script>alert(1)</script>"""


class Texts(HTMLParser):
    """The texts and attributes of a page as a browser reads them, and the elements there are."""

    def __init__(self, page):
        super().__init__()
        self.texts, self.values, self.handlers = [], [], []
        self.feed(page)
        self.text = "".join(self.texts)

    def handle_starttag(self, tag, attributes):
        self.values += [value for _, value in attributes if value]
        self.handlers += [name for name, _ in attributes if name.startswith("on")]

    def handle_data(self, data):
        self.texts.append(data)


@pytest.fixture
def part(sign_in):
    client = sign_in("builder")
    answer = client.post("/parts/new/motor/", {"name": TYPED, "category": "motor"})
    assert answer.status_code == 302, answer.context["form"].errors
    return Part.objects.get()


def test_it_is_stored_as_it_was_typed_and_read_once(part):
    assert part.name == TYPED


def test_a_page_shows_it_and_none_of_it_becomes_part_of_the_page(part, client):
    for path in ("/parts/", part.get_absolute_url()):
        page = client.get(path).content.decode()
        read = Texts(page)
        assert TYPED in read.text, path
        assert read.handlers == []
        assert "alert(1)</script>" not in page


def test_a_field_holds_it_and_it_comes_back_as_it_was(part, client):
    page = client.get(f"/parts/{part.pk}/edit/").content.decode()
    assert TYPED in Texts(page).values
    assert Texts(page).handlers == []


def test_an_address_holds_it(part, client):
    """1.2.2: what was searched for stands in the links of the list, encoded once."""
    page = client.get("/parts/", {"q": TYPED}).content.decode()
    links = [value for value in Texts(page).values if value.startswith(("/parts/?", "?")) and "q=" in value]
    assert links
    for link in links:
        assert parse_qs(urlsplit(link).query)["q"] == [TYPED]
    assert not re.search(r'(?:href|src|action)="\s*(?:javascript|data):', page)


def test_scripts_get_it_as_data(sign_in, timed_pass):
    """1.2.3: JSON in an inert element, which no text of it can end."""
    client = sign_in("builder")
    vehicle = timed_pass.session.revision.vehicle
    Vehicle.objects.filter(pk=vehicle.pk).update(name=TYPED[-80:])
    vehicle.revisions.update(number=1)
    checked = 0
    for path in (
        f"/vehicles/{vehicle.pk}/season/",
        f"/vehicles/{vehicle.pk}/bench/",
        f"/compare/?vehicle={vehicle.pk}",
    ):
        page = client.get(path).content.decode()
        assert "<script>alert(1)" not in page
        for data in re.findall(r'<script id="[\w-]+" type="application/json">(.*?)</script>', page, re.DOTALL):
            json.loads(data)
            checked += 1
    assert checked
