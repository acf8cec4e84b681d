"""Coming in: the one-time link, roles, passwords."""

import re
from datetime import timedelta

from django.core.management import call_command
from django.utils import timezone

from buildlog.models import Account, Invitation
from buildlog.people.roles import Role

NEW = {"username": "ilo", "password1": "frost-and-chain-77", "password2": "frost-and-chain-77", "unit_system": "metric"}


def test_the_owners_link_makes_one_owner(client, db, capsys):
    call_command("owner_link", address="http://sled.example:8000")
    path = re.search(r"http://sled\.example:8000(/invitation/\S+/)", capsys.readouterr().out).group(1)
    assert client.get(path).status_code == 200
    assert client.post(path, NEW).url == "/"
    account = Account.objects.get()
    assert (account.role, account.is_superuser) == (Role.OWNER, True)
    assert client.get("/people/").status_code == 200
    client.logout()
    assert client.get(path).status_code == 410
    assert client.post(path, {**NEW, "username": "other"}).status_code == 410
    assert Account.objects.count() == 1


def test_only_the_hash_of_a_link_is_stored(db):
    token = Invitation.issue(Role.READER)
    assert token not in str(list(Invitation.objects.values()))


def test_an_old_link_is_gone(client, db):
    token = Invitation.issue(Role.READER)
    Invitation.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    assert client.get(f"/invitation/{token}/").status_code == 410
    assert client.get("/invitation/never-issued/").status_code == 410


def test_a_weak_password_is_refused_and_the_link_stays(client, db):
    token = Invitation.issue(Role.READER)
    answer = client.post(f"/invitation/{token}/", {**NEW, "password1": "12345", "password2": "12345"})
    assert answer.status_code == 422
    assert client.post(f"/invitation/{token}/", NEW).status_code == 302


def test_the_owner_invites_a_recorder_but_not_another_owner(sign_in):
    client = sign_in("owner")
    page = client.post("/people/", {"role": "recorder"})
    link = re.search(r"/invitation/[\w-]+/", page.content.decode()).group(0)
    client.logout()
    client.post(link, NEW)
    account = Account.objects.get(username="ilo")
    assert (account.role, account.is_staff) == (Role.RECORDER, False)
    client.force_login(Account.objects.get(username="owner"))
    assert client.post("/people/", {"role": "owner"}).status_code == 422


def test_signing_in_and_out(client, make_account):
    make_account("reader")
    wrong = client.post("/sign-in/", {"username": "reader", "password": "no"})
    assert wrong.status_code == 200
    assert "do not belong together" in wrong.content.decode()
    right = client.post("/sign-in/?next=/sessions/", {"username": "reader", "password": "frost-and-chain-77"})
    assert right.url == "/sessions/"
    assert client.get("/sign-out/").status_code == 405
    assert client.post("/sign-out/").url == "/sign-in/"
    assert client.get("/").status_code == 302


def test_own_units_and_password(sign_in, django_user_model):
    client = sign_in("reader")
    assert client.post("/account/", {"form": "units", "unit_system": "imperial"}).status_code == 302
    assert django_user_model.objects.get().unit_system == "imperial"
    bad = {"form": "password", "old_password": "x", "new_password1": "a", "new_password2": "b"}
    assert client.post("/account/", bad).status_code == 422
    good = {
        "form": "password",
        "old_password": "frost-and-chain-77",
        "new_password1": "other-ice-88",
        "new_password2": "other-ice-88",
    }
    assert client.post("/account/", good).status_code == 302
    assert client.get("/").status_code == 200


def test_pages_carry_the_headers(sign_in):
    answer = sign_in("reader").get("/")
    policy = answer["Content-Security-Policy"]
    assert "unsafe" not in policy
    assert "script-src 'self'" in policy
    assert answer["X-Frame-Options"] == "DENY"
    assert answer["X-Content-Type-Options"] == "nosniff"
