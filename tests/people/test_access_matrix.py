"""Every route × every role × every method, generated from the addresses; a route the tables do not know fails.

What each may do stands in `PAGES` (test_pages_by_role) and in the tables here, written apart from the code.
"""

import collections
import json
import re

import pytest
from django.apps import apps
from django.contrib.auth import SESSION_KEY, get_user_model
from django.db import transaction
from django.test import Client
from django.urls import URLResolver, get_resolver

from buildlog.models import DeviceToken, Photo, Vehicle
from tests.people.test_pages_by_role import BUILD, LOG, PAGES, POSTED_ONLY, READ, READ_ONLY, ROLES

METHODS = ("GET", "HEAD", "OPTIONS", "POST", "PUT", "PATCH", "DELETE", "TRACE")
SAFE = {"GET", "HEAD", "OPTIONS"}
LOOKED_AT_ONLY = {*READ_ONLY, "access_log", "connection", "time_video", "trash", "backup_file", "new_part_kind"}
OPEN_PAGES = {
    "field": SAFE - {"OPTIONS"},
    "field_manifest": SAFE - {"OPTIONS"},
    "service_worker": SAFE - {"OPTIONS"},
    "shared": SAFE - {"OPTIONS"},
    "shared_photo": SAFE - {"OPTIONS"},
    "invitation": {"GET", "HEAD", "POST"},
    "first_restore": {"GET", "HEAD", "POST"},
    "new_password": {*SAFE, "POST"},
    "sign_in": {*SAFE, "POST"},
    "sign_in_code": {"GET", "HEAD", "POST"},
    "health": SAFE - {"OPTIONS"},
    "connection_seen": {"GET", "POST"},  # to a signature only; to everybody else there is no such page
}
STEPS_OF_SIGNING_IN = {"first_restore", "sign_in_code"}
"""Open for one step of something that was begun; everybody else is led to the sign-in page."""
# kind of record: (fixture of one, least role that writes it, what a device's field-logging right lets it write)
API = {
    "vehicles": ("vehicle", BUILD, False),
    "revisions": ("revision", BUILD, False),
    "parts": ("battery", BUILD, False),
    "fittings": ("fitting", BUILD, False),
    "balance-tests": ("balance_test", BUILD, False),
    "individuals": ("individual", BUILD, False),
    "individual-fittings": ("individual_fitting", BUILD, False),
    "upkeep-items": ("upkeep_item", BUILD, False),
    "upkeep-checks": ("upkeep_check", LOG, False),
    "modifications": ("modification", BUILD, False),
    "failure-modes": ("failure_mode", LOG, False),
    "failures": ("failure", LOG, True),
    "verifications": ("verification", LOG, False),
    "sign-offs": ("sign_off", BUILD, False),
    "venues": ("venue", LOG, False),
    "gates": ("gate", LOG, False),
    "sessions": ("session", LOG, True),
    "passes": ("timed_pass", LOG, True),
    "readings": ("reading", LOG, True),
    "go-no-go-checks": ("go_no_go", LOG, True),
    "test-cards": ("card", LOG, False),
    "test-card-items": ("card_item", LOG, True),
    "track-parts": ("track_part", LOG, True),
    "mark-taps": ("mark_tap", LOG, True),
    "voice-notes": ("voice_note", LOG, True),
    "instruments": ("instrument", BUILD, False),
    "formula-channels": ("formula", BUILD, False),
    "trials": ("trial", BUILD, False),
    "photos": ("photo", LOG, True),
}
API_READ = {"field/", "field/greeting/", "field/clock/", "schema/"}
WORKED_OUT = {
    "sessions/<uuid:pk>/results/",
    "revisions/<uuid:pk>/limits/",
    "vehicles/<uuid:pk>/comparison/",
    "vehicles/<uuid:pk>/bench/",
    "vehicles/<uuid:pk>/upkeep/",
}
API_ASKED = {"field/still-there/"}  # by POST, for its many keys; it changes nothing
API_SENT = {"field/records/"}  # many records of a phone, by POST; each by its own route's rights as well


def routes(resolver=None, before=""):
    for pattern in (resolver or get_resolver()).url_patterns:
        here = before + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from routes(pattern, here)
        else:
            yield here, pattern.name


ROUTES = dict(routes())
API_ROUTES = {f"api/v1/{kind}/" for kind in API} | {f"api/v1/{kind}/<uuid:pk>/" for kind in API}
API_ROUTES |= {f"api/v1/{rest}" for rest in API_READ | API_ASKED | API_SENT | WORKED_OUT}
PAGE_ROUTES = {route: name for route, name in ROUTES.items() if not route.startswith("api/")}


def test_no_route_is_unlisted_and_none_is_listed_that_is_gone():
    assert set(PAGE_ROUTES.values()) == {*PAGES, *OPEN_PAGES, "sign_out"}
    assert {route for route in ROUTES if route.startswith("api/")} == API_ROUTES


@pytest.fixture
def go_no_go(session):
    from sessions.models import GoNoGoCheck

    return GoNoGoCheck.objects.create(session=session, **dict.fromkeys(GoNoGoCheck.ITEMS, "yes"))


@pytest.fixture
def card_item(card):
    from sessions.models import TestCardItem

    return TestCardItem.objects.create(card=card, what="Coast down twice")


@pytest.fixture
def track_part(session):
    from sessions.models import TrackPart

    return TrackPart.objects.create(session=session, fixes=[[1.0, 60.0, 25.0, 4.0]])


@pytest.fixture
def clients(make_account):
    """A client for nobody, and one for each role."""
    results = {"nobody": Client()}
    for role in ROLES:
        results[role] = Client()
        results[role].force_login(make_account(role))
    return results


def account_of(client):
    return get_user_model().objects.get(pk=client.session[SESSION_KEY])


def key_of(vehicle, account, **rights):
    values = {"may_add_readings": False, **rights}
    return DeviceToken.issue(name="Key", vehicle=vehicle, account=account, **values)[1]


def read_to_its_end(answer):
    """The test client then closes it; closed by the test, it would take the database's connection along."""
    collections.deque(answer.streaming_content, maxlen=0)


def ask(client, method, path, **headers):
    """The answer's status, with everything that it changed undone."""
    body = {} if method in SAFE else {"data": "{}", "content_type": "application/json"}
    if method == "POST" and not path.startswith("/api/"):
        body = {"data": {}}
    with transaction.atomic():
        answer = getattr(client, method.lower())(path, headers=headers, **body)
        if answer.streaming:
            read_to_its_end(answer)
        transaction.set_rollback(True)
    to_sign_in = answer.status_code == 302 and answer.url.startswith("/sign-in/")
    return "sign in" if to_sign_in else answer.status_code


def everything():
    """How many records there are of each kind, access log left out: being turned away may be written down."""
    models = [*apps.get_app_config("buildlog").get_models(), *apps.get_app_config("test_sessions").get_models()]
    return {model: model.objects.count() for model in models if model.__name__ != "AccessEvent"}


def is_answered(status):
    return isinstance(status, int) and status < 500 and status not in (401, 403, 405)


@pytest.mark.parametrize("route", [route for route, name in PAGE_ROUTES.items() if name in PAGES])
def test_a_page(route, request, clients):
    name = PAGE_ROUTES[route]
    pattern, least = PAGES[name]
    fixture = re.search(r"\{(\w+)\}", pattern)
    path = pattern.replace(fixture.group(0), str(request.getfixturevalue(fixture.group(1)).pk)) if fixture else pattern
    methods = (
        {"GET", "HEAD"} if name in LOOKED_AT_ONLY else {"POST"} if name in POSTED_ONLY else {"GET", "HEAD", "POST"}
    )
    there = everything()
    for who, client in clients.items():
        for method in METHODS:
            status = ask(client, method, path)
            needed = LOG if name == "log" and method == "POST" else least
            if who == "nobody":
                assert status == "sign in", (method, path)
            elif ROLES.index(who) < ROLES.index(needed):
                assert status == 403 or (status == 405 and method not in methods), (who, method, path, status)
            elif method not in methods:
                assert status == 405, (who, method, path)
            else:
                assert is_answered(status), (who, method, path, status)
    key = key_of(
        Vehicle.objects.first() or Vehicle.objects.create(name="Any"),
        account_of(clients["owner"]),
        may_add_readings=True,
        may_log=True,
        may_read=True,
    )
    for method in ("GET", "POST"):
        assert ask(Client(), method, path, Authorization=f"Bearer {key}") == "sign in"
    DeviceToken.objects.filter(token_hash=DeviceToken.hash_of(key)).delete()
    # `there` was counted before a vehicle for the key was made.
    after = everything()
    assert {model: count for model, count in after.items() if model is not Vehicle} == {
        model: count for model, count in there.items() if model is not Vehicle
    }


@pytest.mark.parametrize("route", [route for route, name in PAGE_ROUTES.items() if name in OPEN_PAGES])
def test_an_open_page(route, clients):
    """Open to everybody, and so only what a stranger may see: the methods it does not serve are refused."""
    path = "/" + re.sub(r"<uuid:\w+>", "6f2b0f6e-0c3a-4a76-9d7b-0d4c0c3f5f11", route)
    path = re.sub(r"<slug:\w+>", "never-issued", path)
    for who, client in clients.items():
        for method in METHODS:
            status = ask(client, method, path)
            if method in OPEN_PAGES[PAGE_ROUTES[route]]:
                is_led = PAGE_ROUTES[route] in STEPS_OF_SIGNING_IN and status == "sign in"
                assert is_answered(status) or is_led, (who, method, path, status)
            else:
                # Who is signed in, or has an old link, is led on before anything else.
                assert status in (405, 302, 410), (who, method, path, status)


def test_signing_out_is_posted(clients):
    assert ask(clients["reader"], "GET", "/sign-out/") == 405
    assert ask(clients["nobody"], "POST", "/sign-out/") == "sign in"


@pytest.mark.parametrize("route", [f"api/v1/{rest}" for rest in API_ASKED])
def test_an_api_route_that_is_asked_by_post(route, clients, vehicle):
    key = key_of(vehicle, account_of(clients["builder"]), may_read=True, may_log=True)
    there = everything()
    for who, client in clients.items():
        expected = 403 if who == "nobody" else 200
        assert ask(client, "POST", f"/{route}") == expected, who
        assert ask(client, "GET", f"/{route}") == (403 if who == "nobody" else 405), who
    assert ask(Client(), "POST", f"/{route}", Authorization=f"Bearer {key}") in (401, 403)
    assert everything() == there


@pytest.mark.parametrize("route", [f"api/v1/{rest}" for rest in API_SENT])
def test_an_api_route_that_many_records_are_sent_to(route, clients, vehicle):
    key = key_of(vehicle, account_of(clients["builder"]), may_read=True, may_log=True)
    there = everything()
    for who, client in clients.items():
        # 400: an empty request names no records; the one who may not log does not come so far.
        expected = 403 if who in ("nobody", "reader") else 400
        assert ask(client, "POST", f"/{route}") == expected, who
        assert ask(client, "GET", f"/{route}") == (403 if who == "nobody" else 405), who
    assert ask(Client(), "POST", f"/{route}", Authorization=f"Bearer {key}") in (401, 403)
    assert everything() == there


@pytest.mark.parametrize("route", sorted(API_ROUTES - {f"api/v1/{rest}" for rest in API_ASKED | API_SENT}))
def test_an_api_route(route, request, clients, vehicle):
    kind = route.split("/")[2]
    fixture, writer, key_writes = API.get(kind, ("vehicle", None, None))
    item, whole = "<uuid:pk>" in route, kind in API and route.removeprefix("api/v1/") not in WORKED_OUT
    writer = writer if whole else None
    record = request.getfixturevalue(fixture)
    if kind == "venues":
        request.getfixturevalue("session")  # a key sees the venues its machine was ridden at
    if kind == "gates":
        request.getfixturevalue("timed_pass")
    if kind == "parts":
        request.getfixturevalue("fitting")
    path = "/" + route.replace("<uuid:pk>", str(record.pk))
    writes = ({"PUT", "PATCH", "DELETE"} if item else {"POST"}) if whole else set()
    if kind == "sign-offs":
        writes &= {"DELETE"}  # signed by the state of a failure, because it needs evidence
    there = everything()
    for who, client in clients.items():
        for method in METHODS:
            status = ask(client, method, path)
            # Nobody made these records, so recorders may change them and not remove them.
            needed = READ if method in SAFE else BUILD if method == "DELETE" and item else writer or BUILD
            if who == "nobody":
                assert status in (401, 403), (method, path, status)
            elif ROLES.index(who) < ROLES.index(needed):
                assert status in (403, 405 if method not in writes else 403), (who, method, path, status)
            elif method in SAFE:
                assert status == 200, (who, method, path, status)
            elif method not in writes:
                assert status == 405, (who, method, path, status)
            else:
                assert is_answered(status), (who, method, path, status)
    keys_and_what_they_open(route, kind, key_writes, path, writes, vehicle, clients)
    assert everything() == there


def keys_and_what_they_open(route, kind, key_writes, path, writes, vehicle, clients):
    """A key does what its right says on the machine it is for, and nothing on another."""
    account = account_of(clients["builder"])
    other = Vehicle.objects.create(name="Another machine")
    for right in DeviceToken.RIGHTS:
        for machine in (vehicle, other):
            key = key_of(machine, account, **{right: True})
            for method in METHODS:
                status = ask(Client(), method, path, Authorization=f"Bearer {key}")
                opens = key_writes is not None and (
                    (right == "may_read" and method in SAFE)
                    or (right == "may_log" and key_writes and method in writes - {"DELETE"})
                    or (right == "may_add_readings" and kind == "readings" and method == "POST" and method in writes)
                )
                if not opens:
                    assert status in (401, 403, 405), (right, method, path, status)
                elif machine is other and "<uuid:pk>" in route:
                    # A GET finds nothing, PUT is refused as another's or for what is missing; nothing is shown.
                    assert status in ((404,) if method in SAFE - {"OPTIONS"} else (200, 400, 403, 404)), (right, path)
                else:
                    assert is_answered(status), (right, method, path, status)
    DeviceToken.objects.all().delete()
    other.delete()


UNSAFE = sorted(
    {(name, "POST") for name in PAGES if name not in LOOKED_AT_ONLY}
    | {(f"api/v1/{kind}/", "POST") for kind in API}
    | {(f"api/v1/{kind}/<uuid:pk>/", method) for kind in API for method in ("PUT", "DELETE")}
)


@pytest.mark.parametrize(("what", "method"), UNSAFE)
def test_another_site_cannot_send_it(what, method, make_account, request):
    """Signed in as owner, but without the token that only this site's own pages know (CSRF)."""
    if what in PAGES:
        pattern = PAGES[what][0]
        match = re.search(r"\{(\w+)\}", pattern)
        path = pattern.replace(match.group(0), str(request.getfixturevalue(match.group(1)).pk)) if match else pattern
    else:
        record = request.getfixturevalue(API[what.split("/")[2]][0])
        path = "/" + what.replace("<uuid:pk>", str(record.pk))
    client = Client(enforce_csrf_checks=True)
    client.force_login(make_account("owner"))
    assert ask(client, method, path) == 403


def test_a_stranger_learns_of_no_record(client, photo):
    """The same answer for a record that is there and one that is not."""
    there, not_there = f"/photos/{photo.pk}/image/", "/photos/6f2b0f6e-0c3a-4a76-9d7b-0d4c0c3f5f11/image/"
    assert client.get(there).status_code == client.get(not_there).status_code == 302
    api = [client.get(f"/api/v1{path.removesuffix('image/')}") for path in (there, not_there)]
    assert api[0].status_code == api[1].status_code == 401
    assert api[0].content == api[1].content
    assert Photo.objects.count() == 1


@pytest.mark.parametrize(
    ("path", "form"),
    [
        ("/account/", {"form": "units", "unit_system": "metric", "role": "owner", "is_staff": "on"}),
        ("/account/", {"form": "role", "role": "owner"}),
    ],
)
def test_nobody_gives_themselves_a_role(path, form, sign_in, django_user_model):
    client = sign_in("reader")
    client.post(path, form)
    account = django_user_model.objects.get()
    assert (account.role, account.is_staff, account.is_superuser) == ("reader", False, False)


def test_an_invitation_gives_only_its_own_role(client, invitation, django_user_model):
    from buildlog.models import Invitation

    token = Invitation.issue("reader")
    words = "frost-and-chain-77"
    values = {"username": "ilo", "password1": words, "password2": words, "unit_system": "metric"}
    client.post(f"/invitation/{token}/", {**values, "role": "owner", "is_superuser": "on"})
    assert django_user_model.objects.get().role == "reader"


def test_a_record_sent_whole_changes_only_its_own_fields(sign_in, vehicle):
    """Fields that are not the sender's to set are passed over: whether it is invented, when it was made."""
    client = sign_in("builder")
    values = {"name": "Sled", "invented": True, "created_at": "2001-01-01T00:00:00Z", "id": str(vehicle.pk)}
    values |= {"made_by": 1, "made_at": "2001-01-01T00:00:00Z"}
    values["version"] = client.get(f"/api/v1/vehicles/{vehicle.pk}/").json()["version"]
    made_at = vehicle.made_at
    assert client.put(f"/api/v1/vehicles/{vehicle.pk}/", json.dumps(values), "application/json").status_code == 200
    vehicle.refresh_from_db()
    assert (vehicle.name, vehicle.invented, vehicle.created_at.year > 2001) == ("Sled", False, True)
    assert (vehicle.made_by, vehicle.made_at) == (None, made_at)
