"""Sign-ins are listed with where and since when, and ended one by one."""

import pytest
from django.test import Client

from buildlog.models import AccessEvent, OpenSignIn
from buildlog.people.open_sign_ins import browser_in_words

PASSWORD = "frost-and-chain-77"
PHONE = (
    "Mozilla/5.0 (Linux; Android 14; Pixel 8) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/130.0 Mobile Safari/537.36"
)
DESK = "Mozilla/5.0 (X11; Linux x86_64; rv:132.0) Gecko/20100101 Firefox/132.0"


def enter(agent, address="192.0.2.1"):
    client = Client(headers={"User-Agent": agent}, REMOTE_ADDR=address)
    client.post("/sign-in/", {"username": "ilo", "password": PASSWORD})
    assert client.get("/account/").status_code == 200
    return client


@pytest.mark.parametrize(
    ("agent", "words"),
    [
        (PHONE, "Chrome, Android"),
        (DESK, "Firefox, Linux"),
        ("Mozilla/5.0 (iPhone; CPU iPhone OS 18_0 like Mac OS X) AppleWebKit/605 Version/18.0 Mobile Safari/604.1",
         "Safari, iPhone"),
        ("<script>x</script>", "scriptx/script"),
        ("", "unknown"),
    ],
)  # fmt: skip
def test_a_browser_in_words(agent, words):
    assert browser_in_words(agent) == words


def test_each_is_listed_and_one_is_ended_alone(ilo):
    phone, desk, other = enter(PHONE, "198.51.100.7"), enter(DESK), enter(DESK)
    page = desk.get("/account/").content.decode()
    assert page.count("Firefox, Linux") >= 2
    assert "198.51.100.7" in page
    row = OpenSignIn.objects.get(browser="Chrome, Android")
    refused = desk.post("/account/", {"form": "sessions", "which": row.pk, "session_password": "wrong"})
    assert refused.status_code == 422
    assert phone.get("/account/").status_code == 200
    desk.post("/account/", {"form": "sessions", "which": row.pk, "session_password": PASSWORD})
    assert phone.get("/account/").status_code == 302
    assert desk.get("/account/").status_code == other.get("/account/").status_code == 200
    assert (
        "Chrome, Android"
        not in desk.get("/account/").content.decode().partition("<h2>Signed in</h2>")[2].partition("</table>")[0]
    )
    assert AccessEvent.objects.filter(kind=AccessEvent.Kind.SESSION_ENDED, account=ilo).count() == 1


def test_nobody_ends_anothers(ilo, make_account):
    phone = enter(PHONE)
    other = make_account("recorder")
    other.set_password(PASSWORD)
    other.save()
    stranger = Client()
    stranger.force_login(other)
    row = OpenSignIn.objects.get(browser="Chrome, Android")
    stranger.post("/account/", {"form": "sessions", "which": row.pk, "session_password": PASSWORD})
    assert phone.get("/account/").status_code == 200
    assert OpenSignIn.objects.filter(pk=row.pk).exists()


def test_those_that_ended_are_not_listed(ilo):
    enter(PHONE).post("/sign-out/")
    desk = enter(DESK)
    assert "Chrome, Android" not in desk.get("/account/").content.decode()
    assert OpenSignIn.objects.count() == 1


def test_a_new_password_keeps_this_ones_row(ilo):
    desk, phone = enter(DESK), enter(PHONE)
    new = "sledge-under-ice-9"
    desk.post("/account/", {"form": "password", "old_password": PASSWORD, "new_password1": new, "new_password2": new})
    page = desk.get("/account/").content.decode()
    assert "this one" in page
    assert phone.get("/account/").status_code == 302
    assert [row.browser for row in OpenSignIn.objects.all()] == ["Firefox, Linux"]


def test_a_visit_writes_nothing_again(ilo, django_assert_num_queries):
    desk = enter(DESK)
    before = OpenSignIn.objects.get().seen_at
    desk.get("/settings/")
    assert OpenSignIn.objects.get().seen_at == before
