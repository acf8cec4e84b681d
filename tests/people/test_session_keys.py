"""The keys by which a browser is known: how they are made, how long they count, and what is signed for what."""

import string
from datetime import timedelta

import pytest
from django.contrib.sessions.models import Session
from django.core import signing
from django.test import Client, RequestFactory
from django.utils import timezone

from buildlog.people.known_browsers import SALT, Browser, browser_of, cookie_name

RIGHT = "frost-and-chain-77"


def sign_in(client):
    return client.post("/sign-in/", {"username": "ilo", "password": RIGHT})


@pytest.fixture
def key(ilo, settings):
    client = Client()
    assert sign_in(client).status_code == 302
    return client.cookies[settings.SESSION_COOKIE_NAME].value


def test_a_key_has_128_bits_at_least_and_comes_from_the_systems_generator(ilo, settings, monkeypatch):
    """ASVS 7.2.2 and 7.2.3: 32 letters or digits of 36 are 165 bits, each drawn by `secrets`."""
    drawn = []

    def choice(letters):
        drawn.append(letters)
        return letters[len(drawn) % len(letters)]

    monkeypatch.setattr("secrets.choice", choice)
    client = Client()
    sign_in(client)
    key = client.cookies[settings.SESSION_COOKIE_NAME].value
    assert len(key) == 32
    assert set(key) <= set(string.ascii_lowercase + string.digits)
    assert sum(len(set(letters)) == 36 for letters in drawn) >= 32


def test_no_key_is_made_twice(ilo, settings):
    keys = set()
    for _ in range(50):
        client = Client()
        sign_in(client)
        keys.add(client.cookies[settings.SESSION_COOKIE_NAME].value)
    assert len(keys) == 50


def test_a_month_without_a_visit_ends_it_on_the_server_whatever_the_browser_keeps(key, settings):
    """ASVS 7.3.1 and 7.4.1."""
    client = Client()
    client.cookies[settings.SESSION_COOKIE_NAME] = key
    assert client.get("/").status_code == 200
    stored = Session.objects.get(session_key=key)
    assert timedelta(days=29) < stored.expire_date - timezone.now() <= timedelta(days=30)
    Session.objects.filter(session_key=key).update(expire_date=timezone.now() - timedelta(seconds=1))
    assert client.get("/").status_code == 302


def test_a_key_that_the_server_does_not_hold_opens_nothing(ilo, settings):
    """ASVS 7.2.1: what it opens is looked up, not read from it."""
    client = Client()
    for made_up in ("a" * 32, "", signing.dumps({"_auth_user_id": str(ilo.pk)})):
        client.cookies[settings.SESSION_COOKIE_NAME] = made_up
        assert client.get("/").status_code == 302


def browser_by(value):
    request = RequestFactory().get("/")
    request.COOKIES = {cookie_name(): value}
    return browser_of(request)


def test_a_signed_token_counts_for_its_purpose_and_this_installation_only(ilo):
    """ASVS 9.1.1 to 9.1.3 and 9.2.2 to 9.2.4: no other text, purpose, key or algorithm."""
    payload = {"nonce": "n", "accounts": [ilo.pk]}
    good = signing.dumps(payload, salt=SALT)
    assert browser_by(good).accounts == (ilo.pk,)
    content, at, signature = good.split(":")
    refused = [
        signing.dumps(payload, salt="buildlog.hosting.probe"),  # of another purpose
        signing.dumps(payload, salt=SALT, key="of another installation"),
        signing.TimestampSigner(salt=SALT, algorithm="md5").sign_object(payload),  # of another algorithm
        f"{content}:{at}:",  # of none
        f"{content}:{at}",
        f"{signing.dumps({**payload, 'accounts': [99]}, salt=SALT).split(':')[0]}:{at}:{signature}",  # changed
    ]
    assert [browser_by(value) for value in refused] == [Browser()] * len(refused)
