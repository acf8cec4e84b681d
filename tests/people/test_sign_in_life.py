"""How long a sign-in lasts, and what ends it."""

import time
from datetime import timedelta

from django.test import Client, RequestFactory

from buildlog.people import sign_in_life
from buildlog.people.known_browsers import browser_of
from tests.documents import help_text
from tests.people.test_sign_in import RIGHT, sign_in


def test_signing_in_gives_a_new_key(ilo, settings):
    client = Client()
    client.get("/sign-in/")
    session = client.session
    session["mark"] = "set before"
    session.save()
    client.cookies[settings.SESSION_COOKIE_NAME] = session.session_key
    sign_in(client)
    assert client.cookies[settings.SESSION_COOKIE_NAME].value != session.session_key
    stranger = Client()
    stranger.cookies[settings.SESSION_COOKIE_NAME] = session.session_key
    assert stranger.get("/").status_code == 302


def test_a_new_password_gives_a_new_key_and_ends_the_others(ilo, settings):
    here, elsewhere = Client(), Client()
    sign_in(here)
    sign_in(elsewhere)
    before = here.cookies[settings.SESSION_COOKIE_NAME].value
    new = "four-unlike-words-here"
    values = {"form": "password", "old_password": RIGHT, "new_password1": new, "new_password2": new}
    assert here.post("/account/", values).status_code == 302
    assert here.cookies[settings.SESSION_COOKIE_NAME].value != before
    assert here.get("/").status_code == 200
    assert elsewhere.get("/").status_code == 302


def test_my_other_sign_ins_end_when_i_say_so(ilo):
    here, elsewhere = Client(), Client()
    sign_in(here)
    sign_in(elsewhere)
    assert elsewhere.get("/").status_code == 200
    assert here.post("/account/", {"form": "sessions", "session_password": RIGHT}).status_code == 302
    assert here.get("/").status_code == 200
    assert elsewhere.get("/").status_code == 302
    assert sign_in(elsewhere).status_code == 302
    assert elsewhere.get("/").status_code == 200


def test_signing_out_ends_the_key_on_the_server(ilo, settings):
    client = Client()
    sign_in(client)
    key = client.cookies[settings.SESSION_COOKIE_NAME].value
    client.post("/sign-out/")
    client.cookies[settings.SESSION_COOKIE_NAME] = key
    assert client.get("/").status_code == 302


def test_a_week_at_the_lake_signs_nobody_out_but_a_month_away_does(ilo, settings):
    client = Client()
    sign_in(client)
    left_s = client.cookies[settings.SESSION_COOKIE_NAME]["max-age"]
    assert left_s >= 8 * 24 * 3600
    assert left_s == settings.SESSION_COOKIE_AGE == timedelta(days=30).total_seconds()


def test_a_visit_begins_the_idle_time_anew_once_a_day(ilo, settings):
    client = Client()
    sign_in(client)
    session = client.session
    session[sign_in_life.SEEN] = int(time.time()) - 25 * 3600
    session.save()
    assert settings.SESSION_COOKIE_NAME in client.get("/settings/").cookies
    assert settings.SESSION_COOKIE_NAME not in client.get("/settings/").cookies


def test_a_sign_in_ends_after_90_days_however_often_it_is_used(ilo):
    client = Client()
    sign_in(client)
    session = client.session
    session[sign_in_life.BEGAN] = int(time.time()) - 89 * 24 * 3600
    session.save()
    assert client.get("/").status_code == 200
    session[sign_in_life.BEGAN] = int(time.time()) - 91 * 24 * 3600
    session.save()
    assert client.get("/").status_code == 302
    assert client.get("/").status_code == 302


def test_a_sign_in_from_before_these_rules_stays_good(ilo):
    client = Client()
    client.force_login(ilo)
    session = client.session
    del session[sign_in_life.BEGAN], session[sign_in_life.SEEN]
    session.save()
    assert client.get("/").status_code == 200
    assert client.session[sign_in_life.BEGAN] > 0


def test_one_account_may_be_signed_in_any_number_of_times_at_once_as_help_says(ilo):
    """ASVS 7.1.2: how many at once is written down, and what is written is so."""
    assert "any number of them at once" in help_text("security")
    clients = [Client() for _ in range(12)]
    for client in clients:
        assert sign_in(client).status_code == 302
    assert [client.get("/").status_code for client in clients] == [200] * 12


def test_a_signed_token_counts_within_its_time_only(ilo, monkeypatch):
    """ASVS 9.2.1, for the cookie by which a browser is known: a year, and not from the future of a wrong signer."""
    client = Client()
    sign_in(client)
    request = RequestFactory().get("/")
    request.COOKIES = {name: morsel.value for name, morsel in client.cookies.items()}
    assert browser_of(request).accounts == (ilo.pk,)
    now = time.time()
    monkeypatch.setattr("django.core.signing.time.time", lambda: now + 364 * 86400)
    assert browser_of(request).accounts == (ilo.pk,)
    monkeypatch.setattr("django.core.signing.time.time", lambda: now + 366 * 86400)
    assert browser_of(request).accounts == ()


def test_signing_out_tells_the_field_page_and_signing_in_takes_it_back(ilo, settings):
    client = Client()
    sign_in(client)
    assert settings.LEFT_COOKIE_NAME not in client.cookies or not client.cookies[settings.LEFT_COOKIE_NAME].value
    client.post("/sign-out/")
    assert client.cookies[settings.LEFT_COOKIE_NAME].value == "1"
    sign_in(client)
    assert client.cookies[settings.LEFT_COOKIE_NAME].value == ""
