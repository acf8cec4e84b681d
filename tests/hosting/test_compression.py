"""What is compressed, by RFC 9110 (8.4, 8.8.3 and 12.5.3), and what never is, against BREACH."""

import gzip
import json

import pytest
from django.test import Client

from tests.people.test_pages_by_role import PAGES, POSTED_ONLY

GZIP = {"Accept-Encoding": "gzip"}


@pytest.fixture
def reader(make_account):
    client = Client(headers=GZIP)
    client.force_login(make_account("owner"))
    return client


def is_compressed(answer):
    return answer.headers.get("Content-Encoding") == "gzip"


@pytest.mark.parametrize("address", ["/", "/sessions/", "/settings/", "/api/v1/sessions/", "/api/v1/field/"])
def test_pages_and_lists_are_compressed(reader, session, timed_pass, address):
    answer = reader.get(address)
    assert is_compressed(answer)
    assert "Accept-Encoding" in answer.headers["Vary"]
    assert int(answer.headers["Content-Length"]) == len(answer.content)
    plain = Client()
    plain.force_login(answer.wsgi_request.user)
    whole = plain.get(address)
    assert not is_compressed(whole)
    assert len(answer.content) < len(whole.content)
    if address.startswith("/api/v1/sessions"):
        assert gzip.decompress(answer.content) == whole.content


def test_two_answers_of_one_page_differ_in_length_and_in_their_token(reader):
    answers = [reader.get("/people/") for _ in range(20)]
    assert len({len(answer.content) for answer in answers}) > 5
    tokens = {answer.context["csrf_token"] for answer in answers}
    assert len({str(token) for token in tokens}) == 20


def test_what_is_shown_once_is_never_compressed(reader, make_account, vehicle, revision):
    other = make_account("builder", "other")
    for address, sent, shown in (
        ("/people/", {"role": "reader"}, "invitation/"),
        (f"/people/{other.pk}/", {"form": "password"}, "new-password/"),
        ("/devices/", {"name": "Logger", "vehicle": vehicle.pk, "may_read": "on"}, "key, shown only now"),
        (f"/share/?report={revision.pk}", {"days": "7"}, "shared/"),
    ):
        answer = reader.post(address, sent)
        assert not is_compressed(answer), address
        assert shown in answer.content.decode(), address


def test_pages_whose_address_is_a_secret_are_never_compressed(reader, revision, make_account):
    from buildlog.models import Invitation
    from sessions.models import ShareLink

    _, token = ShareLink.issue(7, made_by=make_account("builder"), revision=revision, hides_places=False)
    shared = reader.get(f"/shared/{token}/")
    invited = reader.get(f"/invitation/{Invitation.issue('reader', shared.wsgi_request.user)}/")
    for answer in (shared, invited, reader.get("/sign-in/"), reader.get("/field/")):
        assert answer.status_code in (200, 302)
        assert not is_compressed(answer)


def test_a_form_that_is_refused_is_not_compressed(reader):
    answer = reader.post("/venues/new/", {"name": ""})
    assert answer.status_code == 422
    assert not is_compressed(answer)


def test_a_compressed_version_is_weak_and_still_the_version(reader, session):
    """RFC 9110, 8.8.1: a strong validator names one sequence of bytes, so compression must weaken it."""
    address = f"/api/v1/sessions/{session.pk}/"
    answer = reader.get(address)
    assert is_compressed(answer)
    tag = answer.headers["ETag"]
    assert tag.startswith('W/"')
    record = json.loads(gzip.decompress(answer.content))
    assert tag == f'W/"{record["version"]}"'
    changed = reader.patch(address, {"notes": "Snow"}, content_type="application/json", headers={"If-Match": tag})
    assert changed.status_code == 200
    assert not is_compressed(changed)
    assert changed.headers["ETag"] == f'"{changed.json()["version"]}"'
    stale = reader.patch(address, {"notes": "Ice"}, content_type="application/json", headers={"If-Match": tag})
    assert stale.status_code == 412


def test_every_page_of_people_with_an_account_is_compressed_or_a_file(reader, request):
    plain = [name for name, (path, _) in PAGES.items() if "{" not in path and name not in POSTED_ONLY]
    left_out = {name for name in plain if not is_compressed(reader.get(PAGES[name][0]))}
    assert left_out == set()
