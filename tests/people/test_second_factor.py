"""One-time codes and recovery codes: set up, asked for, used once, counted apart, and demanded where it matters."""

import base64
import re
import time
from datetime import timedelta

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.utils import timezone
from django_otp.oath import TOTP, totp
from django_otp.plugins.otp_static.models import StaticToken
from django_otp.plugins.otp_totp.models import TOTPDevice

from buildlog.models import AccessEvent, Account, DeviceToken, Invitation
from buildlog.people import second_factor
from buildlog.people.password_links import link_for

PASSWORD = "frost-and-chain-77"
Kind = AccessEvent.Kind


@pytest.fixture
def mara(db):
    return Account.objects.create_user("mara", password=PASSWORD, role="owner")


@pytest.fixture
def clock(monkeypatch):
    """A clock that stands still until it is set forward, so that a code's 30 seconds never end within a test."""

    class Clock:
        now = 1_768_647_600.0

        def step(self, seconds=30):
            self.now += seconds

    clock = Clock()
    monkeypatch.setattr("django_otp.plugins.otp_totp.models.time.time", lambda: clock.now)
    return clock


def code_now(account, clock):
    device = TOTPDevice.objects.get(user=account)
    generator = TOTP(device.bin_key)
    generator.time = clock.now
    return f"{generator.token():06d}"


def post_password(client, name="mara", password=PASSWORD, **more):
    return client.post("/sign-in/", {"username": name, "password": password}, REMOTE_ADDR="192.0.2.1", **more)


@pytest.fixture
def codes(mara, clock):
    """Mara has set codes up; her recovery codes."""
    client = Client()
    client.force_login(mara)
    client.get("/account/codes/")
    answer = client.post("/account/codes/", {"form": "set_up", "password": PASSWORD, "code": code_now(mara, clock)})
    assert answer.status_code == 200, answer.content.decode()
    clock.step()
    mara.refresh_from_db()  # setting up ended the sign-ins of before
    return re.findall(r"<li><code>([A-Z2-7-]+)</code>", answer.content.decode())


def is_in(client):
    return client.get("/account/").status_code == 200


@pytest.mark.parametrize(
    ("at_s", "code"),
    [(59, 94287082), (1111111109, 7081804), (1111111111, 14050471), (1234567890, 89005924), (2000000000, 69279037)],
)
def test_codes_are_those_of_the_standard(at_s, code, monkeypatch):
    """RFC 6238, appendix B, SHA-1; with 8 digits there, of which 6 are shown here."""
    monkeypatch.setattr("django_otp.oath.time", lambda: at_s)
    assert totp(b"12345678901234567890", digits=8) == code
    device = TOTPDevice(key=b"12345678901234567890".hex())
    assert (device.digits, device.step) == (6, 30)


def test_setting_up_shows_the_key_in_both_ways_and_takes_the_first_code(mara, clock):
    client = Client()
    client.force_login(mara)
    page = client.get("/account/codes/").content.decode()
    device = TOTPDevice.objects.get(user=mara)
    key = base64.b32encode(device.bin_key).decode()
    assert key in page.replace(" ", "")
    assert len(device.bin_key) == 20  # RFC 4226, section 4, R6: 160 bits are recommended
    assert "<svg" in page
    wrong = client.post("/account/codes/", {"form": "set_up", "password": PASSWORD, "code": "000000"})
    assert wrong.status_code == 422
    assert not second_factor.is_set_up(mara)
    other = client.post("/account/codes/", {"form": "set_up", "password": "x", "code": code_now(mara, clock)})
    assert "This is not your password" in other.content.decode()
    assert not second_factor.is_set_up(mara)


def test_the_password_alone_opens_nothing_then_the_code_does_once(mara, codes, clock):
    client = Client()
    answer = post_password(client)
    assert (answer.status_code, answer.url) == (302, "/sign-in/code/")
    assert not is_in(client)
    assert client.get("/api/v1/sessions/").status_code in (401, 403)
    code = code_now(mara, clock)
    assert client.post("/sign-in/code/", {"code": code}).url == "/"
    assert is_in(client)
    again = Client()
    post_password(again)
    answer = again.post("/sign-in/code/", {"code": code})
    assert "was used already" in answer.content.decode()
    assert not is_in(again)


@pytest.mark.parametrize("late_s", [-30, 0, 30])
@pytest.mark.parametrize("is_strict", [True, False])
def test_where_the_owner_sets_it_a_code_counts_for_its_own_30_seconds_only(
    is_strict, late_s, mara, codes, clock, settings
):
    settings.STRICT_CODES = is_strict
    clock.step(300)
    code = code_now(mara, clock)
    clock.step(late_s)
    client = Client()
    post_password(client)
    client.post("/sign-in/code/", {"code": code})
    assert is_in(client) == (late_s == 0 or not is_strict)
    # Its next one opens, whatever came before.
    clock.step(60)
    client = Client()
    post_password(client)
    client.post("/sign-in/code/", {"code": code_now(mara, clock)})
    assert is_in(client)


def test_where_somebody_was_going_is_kept(mara, codes, clock):
    client = Client()
    client.post("/sign-in/?next=/shed/", {"username": "mara", "password": PASSWORD, "next": "/shed/"})
    assert client.post("/sign-in/code/", {"code": code_now(mara, clock)}).url == "/shed/"


def test_a_recovery_code_opens_once_however_it_is_written(mara, codes):
    assert len(set(codes)) == 8
    assert all(len(code.replace("-", "")) == 24 for code in codes)  # 120 bits
    client = Client()
    post_password(client)
    assert client.post("/sign-in/code/", {"code": f" {codes[0].lower().replace('-', ' ')} "}).status_code == 302
    assert is_in(client)
    again = Client()
    post_password(again)
    assert "it was used already" in again.post("/sign-in/code/", {"code": codes[0]}).content.decode()
    assert not is_in(again)
    assert AccessEvent.objects.filter(kind=Kind.RECOVERY_USED).count() == 1


def test_recovery_codes_are_stored_as_hashes(mara, codes):
    stored = set(StaticToken.objects.values_list("token", flat=True))
    assert len(stored) == 8
    plain = {code.replace("-", "").lower() for code in codes}
    assert not any(token in code for token in stored for code in plain)


def test_new_recovery_codes_end_the_earlier_ones(mara, codes, clock):
    client = Client()
    client.force_login(mara)
    answer = client.post("/account/codes/", {"form": "recovery", "password": PASSWORD, "code": code_now(mara, clock)})
    fresh = re.findall(r"<li><code>([A-Z2-7-]+)</code>", answer.content.decode())
    assert len(fresh) == 8
    assert not set(fresh) & set(codes)
    assert not second_factor.use_recovery_code(mara, codes[0])
    assert second_factor.use_recovery_code(mara, fresh[0])


def test_wrong_codes_have_a_limit_and_recovery_codes_open_nevertheless(mara, codes, clock):
    client = Client()
    post_password(client)
    for _ in range(5):
        assert client.post("/sign-in/code/", {"code": "000000"}).status_code == 200
    answer = client.post("/sign-in/code/", {"code": code_now(mara, clock)})
    assert answer.status_code == 429
    assert 0 < int(answer["Retry-After"]) <= 900
    assert not is_in(client)
    assert client.post("/sign-in/code/", {"code": codes[1]}).status_code == 302
    assert is_in(client)


def test_a_known_browser_is_not_kept_out_by_wrong_codes_elsewhere(mara, codes, clock):
    known = Client()
    post_password(known)
    known.post("/sign-in/code/", {"code": code_now(mara, clock)})
    known.post("/sign-out/")
    clock.step()
    stranger = Client()
    post_password(stranger)
    for _ in range(7):
        stranger.post("/sign-in/code/", {"code": "000000"})
    post_password(known)
    assert known.post("/sign-in/code/", {"code": code_now(mara, clock)}).status_code == 302
    assert is_in(known)


def test_guesses_at_the_name_keep_no_second_factor_out(mara, codes, clock):
    """A hundred guesses from as many addresses lock a name for new browsers, but not one that has codes."""
    from buildlog.people.access_log import hash_of_name

    for name in ("mara", "ilo"):
        AccessEvent.objects.bulk_create(
            AccessEvent(kind=Kind.WRONG, name_hash=hash_of_name(name), address=f"198.51.100.{n}") for n in range(100)
        )
    Account.objects.create_user("ilo", password=PASSWORD, role="builder")
    assert post_password(Client(), "ilo").status_code == 429
    fresh = Client()
    assert post_password(fresh).status_code == 302
    assert fresh.post("/sign-in/code/", {"code": code_now(mara, clock)}).status_code == 302
    assert is_in(fresh)


def test_the_step_between_ends_by_itself_and_with_a_new_password(mara, codes, clock, monkeypatch):
    client = Client()
    post_password(client)
    mara.set_password("another-and-long-1")
    mara.save()
    assert client.post("/sign-in/code/", {"code": code_now(mara, clock)}).url == "/sign-in/"
    mara.set_password(PASSWORD)
    mara.save()
    client = Client()
    post_password(client)
    later = time.time() + 601
    monkeypatch.setattr(second_factor.time, "time", lambda: later)
    assert client.get("/sign-in/code/").url == "/sign-in/"


def test_a_link_for_a_new_password_is_no_way_round_it(mara, codes, clock):
    client = Client()
    page = client.get(link_for(mara, base="http://testserver").removeprefix("http://testserver"), follow=True)
    path = page.redirect_chain[-1][0]
    answer = client.post(path, {"new_password1": "sledge-under-ice-9", "new_password2": "sledge-under-ice-9"})
    assert answer.url == "/sign-in/code/"
    assert not is_in(client)
    client.post("/sign-in/code/", {"code": code_now(mara, clock)})
    assert is_in(client)


def test_setting_up_ends_sign_ins_made_without_a_code(mara, clock):
    old, client = Client(), Client()
    for each in (old, client):
        post_password(each)
    client.get("/account/codes/")
    client.post("/account/codes/", {"form": "set_up", "password": PASSWORD, "code": code_now(mara, clock)})
    assert is_in(client)
    assert not is_in(old)


def test_taking_away_needs_password_and_code(mara, codes, clock):
    client = Client()
    client.force_login(mara)
    client.post("/account/codes/", {"form": "remove", "password": PASSWORD, "code": "000000"})
    assert second_factor.is_set_up(mara)
    client.post("/account/codes/", {"form": "remove", "password": "wrong", "code": code_now(mara, clock)})
    assert second_factor.is_set_up(mara)
    clock.step()
    answer = client.post("/account/codes/", {"form": "remove", "password": PASSWORD, "code": code_now(mara, clock)})
    assert answer.url == "/account/"
    assert not second_factor.is_set_up(mara)
    assert post_password(Client()).url == "/"


@pytest.mark.parametrize(
    ("setting", "hosts", "whose"),
    [
        ("auto", ["localhost", "192.168.1.20", "shed.local", "log.home.arpa"], "no"),
        ("auto", ["localhost", "log.somebody.se"], "owners"),
        ("auto", ["localhost", "8.8.8.8"], "owners"),
        ("owners", ["localhost"], "owners"),
        ("no", ["log.somebody.se"], "no"),
        ("everybody", ["localhost"], "everybody"),
    ],
)
def test_whose_sign_in_needs_a_code(settings, setting, hosts, whose):
    settings.SECOND_FACTOR, settings.ALLOWED_HOSTS = setting, hosts
    assert second_factor.demanded_of() == whose


def test_an_owner_reachable_from_outside_is_led_to_set_it_up_and_others_are_not(
    settings, mara, sign_in, clock, vehicle
):
    settings.SECOND_FACTOR = "owners"
    client = Client()
    post_password(client)
    for path in ("/", "/shed/", f"/vehicles/{vehicle.pk}/", "/people/", "/upkeep/restore/"):
        answer = client.get(path)
        assert (answer.status_code, answer.url) == (302, "/account/codes/"), path
    refused = client.get("/api/v1/sessions/")
    assert (refused.status_code, refused.json()["code"]) == (403, "second_factor")
    assert is_in(client)
    page = client.get("/account/codes/").content.decode()
    assert "your account needs a second factor" in page
    client.post("/account/codes/", {"form": "set_up", "password": PASSWORD, "code": code_now(mara, clock)})
    assert client.get("/shed/").status_code == 200
    refused = client.post("/account/codes/", {"form": "remove", "password": PASSWORD, "code": "x"})
    assert second_factor.is_set_up(mara)
    assert sign_in("builder").get("/shed/").status_code == 200


def test_a_devices_key_and_pages_without_an_account_need_no_code(settings, mara, vehicle, client):
    settings.SECOND_FACTOR = "everybody"
    _, key = DeviceToken.issue(account=mara, vehicle=vehicle, name="Logger", may_read=True)
    answer = client.get("/api/v1/sessions/", headers={"Authorization": f"Bearer {key}"})
    assert answer.status_code == 200
    assert client.get("/sign-in/").status_code == 200
    assert client.get(f"/invitation/{Invitation.issue('reader')}/").status_code == 200


def test_an_owner_helps_others_and_the_command_helps_an_owner(mara, codes, sign_in):
    with pytest.raises(CommandError, match="Nobody here"):
        call_command("remove_codes", "nobody")
    call_command("remove_codes", "mara")
    assert not second_factor.is_set_up(mara)
    assert second_factor.recovery_codes_left(mara) == 0
    assert post_password(Client()).url == "/"
    ilo = Account.objects.create_user("ilo", password=PASSWORD, role="builder")
    TOTPDevice.objects.create(user=ilo, confirmed=True)
    owner = sign_in("owner")
    assert "Take one-time codes away" in owner.get(f"/people/{ilo.pk}/").content.decode()
    owner.post(f"/people/{ilo.pk}/", {"form": "codes"})
    assert not second_factor.is_set_up(ilo)


def test_what_happens_to_codes_is_in_the_access_log(mara, codes, clock):
    client = Client()
    post_password(client)
    client.post("/sign-in/code/", {"code": "000000"})
    client.post("/sign-in/code/", {"code": code_now(mara, clock)})
    kinds = list(AccessEvent.objects.filter(account=mara).order_by("pk").values_list("kind", flat=True))
    assert kinds == [Kind.FACTOR_ON, Kind.WRONG_CODE, Kind.SIGNED_IN]
    assert not AccessEvent.objects.filter(at__gt=timezone.now() + timedelta(days=1)).exists()


def test_keys_and_recovery_codes_come_from_the_systems_generator(mara, monkeypatch):
    """ASVS 6.5.3. Both libraries ask `os.urandom`; what it gives is what comes out."""
    monkeypatch.setattr("django_otp.util.urandom", lambda size: b"\x01" * size)
    monkeypatch.setattr("secrets.token_bytes", lambda size=32: b"\x02" * size)
    assert second_factor.begin(mara).bin_key == b"\x01" * 20
    expected = base64.b32encode(b"\x02" * 15).decode()
    assert second_factor.new_recovery_codes(mara)[0].replace("-", "") == expected
