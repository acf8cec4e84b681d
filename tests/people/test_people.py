"""The owner's page of people: roles, doors, sign-ins and links; and the one owner who always stays."""

import re

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.test import Client
from django.utils import timezone

from buildlog.models import AccessEvent, Account, DeviceToken, Invitation
from sessions.models import ShareLink


@pytest.fixture
def owner(sign_in):
    return sign_in("owner")


@pytest.fixture
def ilo(make_account):
    return make_account("recorder", "ilo")


def change(client, account, form, **more):
    return client.post(f"/people/{account.pk}/", {"form": form, **more})


def test_a_changed_role_holds_from_the_next_page_on(owner, ilo):
    theirs = Client()
    theirs.force_login(ilo)
    assert theirs.get("/vehicles/new/").status_code == 403
    assert change(owner, ilo, "role", role="builder").status_code == 302
    assert theirs.get("/vehicles/new/").status_code == 200
    assert change(owner, ilo, "role", role="reader").status_code == 302
    assert theirs.get("/sessions/new/").status_code == 403
    rows = AccessEvent.objects.filter(kind="role_changed", account=ilo).values_list("detail", "by__username")
    assert list(rows) == [("Builder → Reader", "owner"), ("Recorder → Builder", "owner")]


def test_a_new_owner_reaches_the_people_and_a_former_one_does_not(owner, ilo):
    theirs = Client()
    theirs.force_login(ilo)
    change(owner, ilo, "role", role="owner")
    assert theirs.get("/people/").status_code == 200
    change(owner, ilo, "role", role="builder")
    assert theirs.get("/people/").status_code == 403


@pytest.mark.parametrize(("form", "more"), [("role", {"role": "builder"}), ("shut", {})])
def test_the_last_owner_stays(owner, form, more, make_account):
    mara = Account.objects.get(role="owner")
    answer = owner.post(f"/people/{mara.pk}/", {"form": form, **more}, follow=True)
    assert "only owner who can sign in" in answer.content.decode()
    mara.refresh_from_db()
    assert (mara.role, mara.is_active) == ("owner", True)
    # One who is shut does not count; one who is open does.
    second = make_account("owner", "second")
    Account.objects.filter(pk=second.pk).update(is_active=False)
    assert "only owner" in owner.post(f"/people/{mara.pk}/", {"form": form, **more}, follow=True).content.decode()
    Account.objects.filter(pk=second.pk).update(is_active=True)
    assert change(owner, mara, form, **more).url == "/"
    assert owner.get("/people/").status_code in (302, 403)


def test_what_the_database_keeps_too(owner, ilo):
    with pytest.raises(IntegrityError), transaction.atomic():
        Account.objects.filter(pk=ilo.pk).update(is_superuser=True)
    with pytest.raises(IntegrityError), transaction.atomic():
        Account.objects.filter(pk=ilo.pk).update(role="owner")


def test_a_shut_account_is_out_at_once_with_everything_it_opened(owner, ilo, vehicle, revision):
    theirs = Client()
    theirs.force_login(ilo)
    key = DeviceToken.issue(name="Logger", vehicle=vehicle, account=ilo)[1]
    change(owner, ilo, "role", role="builder")
    token = ShareLink.issue(7, made_by=ilo, revision=revision)[1]
    assert theirs.get("/").status_code == 200
    assert Client().get(f"/shared/{token}/").status_code == 200
    assert change(owner, ilo, "shut").status_code == 302
    assert theirs.get("/").status_code == 302
    assert Client().get(f"/shared/{token}/").status_code == 410
    assert DeviceToken.open_for(key) is None
    values = {"username": "ilo", "password": "frost-and-chain-77"}
    assert "do not belong together" in Client().post("/sign-in/", values).content.decode()
    assert change(owner, ilo, "open").status_code == 302
    # Opened again, but not signed in again: the old sign-in stays ended.
    assert theirs.get("/").status_code == 302
    assert Client().post("/sign-in/", values).status_code == 302
    assert DeviceToken.open_for(key) is not None


def test_a_link_stops_when_its_maker_is_only_a_reader(owner, ilo, revision):
    change(owner, ilo, "role", role="builder")
    ilo.refresh_from_db()
    link, token = ShareLink.issue(7, made_by=ilo, revision=revision)
    assert Client().get(f"/shared/{token}/").status_code == 200
    change(owner, ilo, "role", role="reader")
    assert Client().get(f"/shared/{token}/").status_code == 410
    page = owner.get("/share/").content.decode()
    assert "stopped: who made it may not share now" in page
    # It would open again with that role, so it can be ended still.
    assert "End it" in page
    change(owner, ilo, "role", role="builder")
    assert Client().get(f"/shared/{token}/").status_code == 200
    owner.post(f"/share/{link.pk}/revoke/")
    assert Client().get(f"/shared/{token}/").status_code == 410


def test_links_that_show_something_to_others_are_in_the_access_log(owner, revision):
    owner.post(f"/share/?report={revision.pk}", {"days": "7"})
    made = ShareLink.objects.get()
    for _ in range(2):  # ended once, whoever asks again
        owner.post(f"/share/{made.pk}/revoke/")
    rows = AccessEvent.objects.filter(account=made.made_by).order_by("pk")
    assert list(rows.values_list("kind", "detail")) == [("link_made", str(made)), ("link_ended", str(made))]
    page = owner.get("/people/access-log/").content.decode()
    assert "Read-only link made" in page


@pytest.mark.parametrize("form", [{"form": "shut"}, {"form": "role", "role": "builder"}])
def test_an_invitation_ends_with_the_word_of_the_owner_who_made_it(owner, make_account, form):
    mara = make_account("owner", "mara")
    token, by_machine = Invitation.issue("reader", mara), Invitation.issue("reader")
    assert Client().get(f"/invitation/{token}/").status_code == 200
    change(owner, mara, **form)
    assert Client().get(f"/invitation/{token}/").status_code == 410
    assert Client().get(f"/invitation/{by_machine}/").status_code == 200
    assert owner.get("/people/").content.decode().count("End it") == 1


def test_the_owner_signs_somebody_out_everywhere(owner, ilo):
    theirs = Client()
    theirs.force_login(ilo)
    assert theirs.get("/").status_code == 200
    change(owner, ilo, "sessions")
    assert theirs.get("/").status_code == 302
    assert owner.get("/").status_code == 200


def test_the_owner_makes_a_link_for_a_new_password_but_not_for_another_owner(owner, ilo, make_account):
    page = change(owner, ilo, "password")
    path = re.search(r"/new-password/[\w-]+/[\w-]+/", page.content.decode()).group(0)
    client = Client()
    opened = client.get(path)
    new = "wind over black ice"
    assert client.post(opened.url, {"new_password1": new, "new_password2": new}).url == "/"
    ilo.refresh_from_db()
    assert ilo.check_password(new)
    assert AccessEvent.objects.filter(kind="password_link", account=ilo, by__username="owner").exists()
    answer = change(owner, make_account("owner", "second"), "password")
    assert answer.status_code == 422
    assert "/new-password/" not in answer.content.decode()
    assert "manage.py password_link" in answer.content.decode()


@pytest.mark.parametrize("form", ["", "nonsense", "role"])
def test_what_is_not_understood_changes_nothing(owner, ilo, form):
    assert change(owner, ilo, form, role="emperor").status_code == 422
    ilo.refresh_from_db()
    assert ilo.role == "recorder"


def test_an_invitation_can_be_taken_back(owner):
    page = owner.post("/people/", {"role": "reader"})
    path = re.search(r"/invitation/[\w-]+/", page.content.decode()).group(0)
    assert Client().get(path).status_code == 200
    assert "End it" in page.content.decode()
    assert owner.post(f"/people/invitations/{Invitation.objects.get().pk}/end/").status_code == 302
    assert Client().get(path).status_code == 410


def test_an_invitation_opened_by_somebody_signed_in_makes_another_account(owner):
    token = Invitation.issue("reader")
    words = "frost-and-chain-77"
    values = {"username": "ilo", "password1": words, "password2": words, "unit_system": "metric"}
    before = owner.session.session_key
    owner.post(f"/invitation/{token}/", values)
    assert owner.session.session_key != before
    assert owner.get("/people/").status_code == 403


def test_the_framework_s_own_command_makes_an_owner(db):
    made = Account.objects.create_superuser("mara", password="frost-and-chain-77")
    assert (made.role, made.is_staff) == ("owner", True)


def test_a_device_without_a_right_is_refused_with_a_sentence(sign_in, vehicle):
    client = sign_in("builder")
    answer = client.post("/devices/", {"name": "Logger", "vehicle": vehicle.pk})
    assert answer.status_code == 422
    assert "at least one thing" in answer.content.decode()
    with pytest.raises((IntegrityError, ValidationError)), transaction.atomic():
        DeviceToken.issue(name="x", vehicle=vehicle, account=Account.objects.get(), may_add_readings=False)


def test_the_page_of_devices_says_what_each_may_do(sign_in, vehicle, from_noon):
    client = sign_in("builder")
    values = {"name": "Shed display", "vehicle": vehicle.pk, "may_read": "on"}
    key = client.post("/devices/", values).context["key"]
    page = client.get("/devices/").content.decode()
    assert "reads the machine&#x27;s records" in page
    assert "never" in page
    Client().get("/api/v1/sessions/", headers={"Authorization": f"Bearer {key}"})
    assert timezone.now().strftime("%Y-%m-%d") in client.get("/devices/").content.decode()
    assert key not in client.get("/devices/").content.decode()


def test_the_list_is_searched_narrowed_put_in_order_and_exported(owner, ilo, make_account):
    make_account("reader", "ilona")
    closed = make_account("builder", "mara")
    Account.objects.filter(pk=closed.pk).update(is_active=False)
    Account.objects.filter(pk=ilo.pk).update(last_login=timezone.now())

    def names(query):
        return [account.username for account in owner.get(f"/people/?{query}").context["accounts"]]

    assert names("") == ["ilo", "ilona", "mara", "owner"]
    assert names("q=ilo") == ["ilo", "ilona"]
    assert names("q=ilo&role=reader") == ["ilona"]
    assert names("access=closed") == ["mara"]
    assert names("sort=seen")[0] in ("ilo", "owner")
    assert names("sort=seen")[-1] == "mara", "who never signed in comes last"
    assert "Nobody fits" in owner.get("/people/?q=nobody").content.decode()
    rows = owner.get("/people/?access=closed&export=csv").content.decode().splitlines()
    assert rows[0] == "name,role,access,joined,signed_in_last"
    assert [row.split(",")[:3] for row in rows[1:]] == [["mara", "builder", "closed"]]
