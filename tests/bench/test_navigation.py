"""Every page says where it is and how to go up."""

import pytest

from buildlog.templatetags.navigation import LISTS, PLACES, RECORDS, WAYS
from tests.people.test_pages_by_role import PAGES


def test_every_page_has_its_place():
    assert set(PAGES) - set(WAYS) == set()


def test_every_step_of_a_way_is_known():
    steps = {step for way in WAYS.values() for step in way}
    assert steps <= {*PLACES, *LISTS, *RECORDS, "search", "photos"}


@pytest.mark.parametrize(
    ("path", "place", "steps"),
    [
        ("/", "now", ["Now"]),
        ("/revisions/{revision}/", "shed", ["Shed", "Test sled"]),
        ("/revisions/{revision}/edit/", "shed", ["Shed", "Test sled", "R1"]),
        ("/revisions/{revision}/report/", "shed", ["Shed", "Test sled", "R1"]),
        ("/failures/{failure}/", "bench", ["Bench", "Failures"]),
        ("/parts/{battery}/", "shed", ["Shed", "Parts"]),
        ("/venues/{venue}/", "shed", ["Shed", "Venues and gates"]),
        ("/test-cards/{card}/", "shed", ["Shed", "Test cards"]),
        ("/methods/", "settings", ["Settings"]),
        ("/help/backup/", "settings", ["Settings", "Help"]),
        ("/people/", "settings", ["Settings"]),
    ],
)
def test_the_way_up_leads_through_the_pages_above(sign_in, request, path, place, steps):
    client = sign_in("owner")
    names = {
        name: request.getfixturevalue(name).pk
        for name in ("revision", "failure", "battery", "venue", "card")
        if name in path
    }
    here = client.get(path.format(**names)).context["here"]
    assert here["place"] == place
    assert [label for label, _ in here["steps"]] == steps
    for _, address in here["steps"]:
        assert client.get(address).status_code == 200


def test_the_frame_asks_one_query(sign_in, session, django_assert_num_queries):
    client = sign_in("reader")
    with django_assert_num_queries(3):
        # The sign-in, the account, and the machines.
        client.get("/help/")


def test_the_places_lead_to_pages_that_answer(sign_in, session):
    client = sign_in("reader")
    for _, _, address in client.get("/settings/").context["here"]["places"]:
        assert client.get(address).status_code == 200
