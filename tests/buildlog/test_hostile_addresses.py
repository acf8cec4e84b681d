"""Addresses nobody should write: never a 500."""

import uuid

import pytest
from django.test import Client

NOBODYS = uuid.UUID(int=7)  # the tests carry the address in their name, so it must not change
ADDRESSES = [
    "/sessions/?page=-1",
    "/sessions/?page=0",
    "/sessions/?page=%00",
    "/sessions/?page=1e9",
    "/sessions/?page=٣",
    "/sessions/new/?revision=garbage",
    "/sessions/new/?revision=%00",
    f"/sessions/new/?revision={NOBODYS}",
    "/failures/?state=<script>",
    "/failures/new/?session=garbage&revision=%00",
    f"/failures/new/?session={NOBODYS}",
    "/compare/?vehicle=x&revision=y&revision=%00&surface=lava",
    f"/compare/?vehicle={NOBODYS}&revision={NOBODYS}",
    "/compare/?" + "&".join(f"revision={uuid.UUID(int=number)}" for number in range(200)),
    "/vehicles/{vehicle}/difference/?from=" + "9" * 400 + "&to=-1",
    "/vehicles/{vehicle}/difference/?from=%00&to=٣",
    "/revisions/{revision}/new-modification/?answers=garbage&answers=%00",
    "/parts/new/nonsense/",
    "/photos/new/vehicle/{vehicle}/",
    "/invitation/x/",
    "/api/v1/sessions/?limit=x&offset=-1&revision=%00",
    "/api/v1/sessions/?limit=" + "9" * 30,
    "/api/v1/photos/?offset=" + "9" * 30,
]


@pytest.mark.parametrize("address", ADDRESSES)
def test_it_answers(address, sign_in, session):
    filled = address.format(vehicle=session.revision.vehicle_id, revision=session.revision_id)
    assert sign_in("owner").get(filled).status_code in (200, 400, 404, 410)


@pytest.mark.parametrize(
    "path", ["/sessions/new/", "/failures/new/", "/vehicles/new/", "/parts/new/motor/", "/venues/new/", "/people/"]
)
@pytest.mark.parametrize("value", ["\x00", "9" * 5000, "<script>alert(1)</script>", "‮", "[]", "-" * 300])
def test_every_field_takes_anything_without_breaking(path, value, sign_in, session):
    client = sign_in("owner")
    form = client.get(path).context["form"]
    answer = client.post(path, dict.fromkeys(form.fields, value))
    assert answer.status_code in (302, 422)
    assert b"<script>alert(1)</script>" not in answer.content


@pytest.mark.parametrize("headers", [{"Origin": "http://["}, {"Referer": "http://[", "Sec-Fetch-Site": "same-origin"}])
def test_a_broken_origin_is_no_fault_of_ours(headers, db):
    stranger = Client(enforce_csrf_checks=True)
    assert stranger.get("/nothing/", headers=headers).status_code == 404
    assert stranger.post("/sign-in/", {"username": "x", "password": "x"}, headers=headers).status_code == 403
