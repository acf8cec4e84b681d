"""Who asks too often, or for too much at once, is asked to wait, and nobody else is (ASVS 5.0, 2.4.1 and 15.2.2)."""

import pytest
from django.test import Client
from django.urls import get_resolver

from buildlog.hosting import request_rate
from buildlog.hosting.request_rate import COSTLY, COSTLY_AT_ONCE, Allowance
from buildlog.machines.models import Part


@pytest.fixture
def few(settings, monkeypatch):
    """Five requests a minute, all made at one moment; each client has middleware, and so counts, of its own process."""
    settings.SET = {**settings.SET, "BUILDLOG_REQUEST_RATE": 5}
    monkeypatch.setattr(request_rate, "Allowance", lambda: Allowance(lambda: 100.0))


def test_a_minute_s_requests_come_at_once_and_then_as_they_fill_up():
    now = [100.0]
    allowance = Allowance(lambda: now[0])
    assert [allowance.wait_s("a", 60) for _ in range(61)] == [0] * 60 + [1]
    assert allowance.wait_s("b", 60) == 0
    now[0] += 0.5
    assert allowance.wait_s("a", 60) == 1
    now[0] += 0.5
    assert (allowance.wait_s("a", 60), allowance.wait_s("a", 60)) == (0, 1)
    now[0] += 3600
    assert [allowance.wait_s("a", 60) for _ in range(61)] == [0] * 60 + [1]


def test_who_asks_once_is_forgotten_in_the_end(monkeypatch):
    monkeypatch.setattr(request_rate, "MOST_REMEMBERED", 3)
    allowance = Allowance(lambda: 0.0)
    for name in "abcd":
        assert allowance.wait_s(name, 1) == 0
    assert [allowance.wait_s(name, 1) for name in "dcb"] == [60, 60, 60]
    assert allowance.wait_s("a", 1) == 0


def test_an_account_that_asks_too_often_waits_and_others_do_not(few, sign_in, make_account):
    client = sign_in("builder")
    answers = [client.get("/parts/") for _ in range(7)]
    assert [answer.status_code for answer in answers] == [200] * 5 + [429] * 2
    assert 1 <= int(answers[-1]["Retry-After"]) <= 12
    # A page is no form: nothing was typed, and the browser asks for it again.
    assert "asked for again by itself" in answers[-1].content.decode()
    assert answers[-1]["Refresh"] == answers[-1]["Retry-After"]
    by_api = client.get("/api/v1/sessions/")
    assert (by_api.status_code, by_api.json()["detail"][:4]) == (429, "More")
    # The same process, somebody else.
    other = make_account("recorder")
    client.logout()
    client.force_login(other)
    assert client.get("/parts/").status_code == 200


def test_what_was_typed_is_in_the_answer(few, sign_in):
    client = sign_in("builder")
    for _ in range(5):
        client.get("/parts/")
    refused = client.post("/parts/new/motor/", {"name": "Motor of the long evening"})
    assert refused.status_code == 429
    assert "Motor of the long evening" in refused.content.decode()
    assert not Part.objects.filter(name="Motor of the long evening").exists()


def test_a_stranger_is_counted_by_address(few, db):
    client = Client()
    statuses = [client.get("/sign-in/", REMOTE_ADDR="203.0.113.5").status_code for _ in range(6)]
    assert statuses == [200] * 5 + [429]
    assert client.get("/sign-in/", REMOTE_ADDR="203.0.113.6").status_code == 200


def test_of_what_takes_long_an_account_has_two_in_work(settings, sign_in, rf):
    settings.SET = {**settings.SET, "BUILDLOG_REQUEST_RATE": 600}
    client = sign_in("builder")
    middleware, inner = [], []

    def ask(_request):
        """While one is in work, the next comes, in the same process."""
        answer = middleware[0].process_view(_request, None, (), {})
        if answer is not None:
            return answer
        if len(inner) < 4:
            inner.append(middleware[0](costly_request(client, rf)))
        return "answered"

    middleware.append(request_rate.RequestRate(ask))
    assert middleware[0](costly_request(client, rf)) == "answered"
    assert [getattr(answer, "status_code", answer) for answer in inner] == [429, "answered"]
    assert middleware[0].in_work == {}


def costly_request(client, rf):
    request = rf.get("/compare/")
    request.session = client.session
    request.resolver_match = get_resolver().resolve("/compare/")
    return request


def test_the_costly_pages_are_there():
    names = {name for name in get_resolver().reverse_dict if isinstance(name, str)}
    assert names >= COSTLY
    assert COSTLY_AT_ONCE < 4
