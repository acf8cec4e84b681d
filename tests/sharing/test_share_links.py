"""Links that show one report to whoever has them."""

import pytest

from buildlog.photos.pictures import store_photo
from sessions.models import (
    Session,
    ShareLink,
    Venue,
)

# Sharing


@pytest.fixture
def shared(demo, make_account):
    def make(**values):
        link, token = ShareLink.issue(
            values.pop("days", 7), made_by=make_account("builder", "ilo-the-builder"), **values
        )
        return link, f"/shared/{token}/"

    return make


def test_a_link_shows_one_report_without_an_account(client, demo, shared):
    revision = demo.revisions.get(number=4)
    link, path = shared(revision=revision)
    answer = client.get(path)
    page = answer.content.decode()
    assert answer.status_code == 200
    assert "14s modules instead of 12s" in page
    assert "Hallava" not in page
    assert "ilo-the-builder" not in page
    assert (answer.headers["Referrer-Policy"], answer.headers["Cache-Control"]) == ("no-referrer", "no-store")
    link.refresh_from_db()
    assert link.opened == 1
    assert ShareLink.objects.filter(token_hash__in=path.split("/")).count() == 0


def test_places_and_names_are_shown_when_they_may_be(client, demo, shared):
    _, path = shared(revision=demo.revisions.get(number=4), hides_places=False, hides_people=False)
    page = client.get(path).content.decode()
    assert "Hallava" in page
    assert "ilo-the-builder" in page


def test_a_link_ends(client, demo, shared, sign_in):
    link, path = shared(revision=demo.revisions.first())
    link.revoke()
    assert client.get(path).status_code == 410
    expired, other = ShareLink.issue(-1, made_by=link.made_by, revision=demo.revisions.first())
    assert not expired.is_open
    assert client.get(f"/shared/{other}/").status_code == 410
    assert client.get("/shared/guessed/").status_code == 410


def test_a_link_shows_its_photos_and_no_other(client, demo, shared, picture_file):
    first, second = demo.revisions.order_by("number")[:2]
    picture_file.seek(0)
    other = store_photo(picture_file, revision=second)
    _, path = shared(revision=first)
    own = first.photos.get()
    assert client.get(f"{path}photo/{own.pk}/").headers["Content-Type"] == "image/jpeg"
    assert client.get(f"{path}photo/{other.pk}/").status_code == 404
    assert client.get(f"/shared/guessed/photo/{own.pk}/").status_code == 404


def test_a_link_shows_a_comparison(client, demo, shared):
    away = Venue.objects.create(name="Secret bay")
    Session.objects.filter(pk=Session.objects.first().pk).update(venue=away)
    venue = Venue.objects.exclude(pk=away.pk).get()
    _, path = shared(comparison=f"vehicle={demo.pk}&venue={venue.pk}")
    page = client.get(path).content.decode()
    assert 'class="answers"' in page
    assert "R6 against R5" in page
    assert "Secret bay" not in page
    assert "ridden elsewhere" in page
    assert 'href="/revisions/' not in page


def test_links_are_made_and_ended_on_the_page(demo, sign_in, client):
    builder = sign_in("builder")
    revision = demo.revisions.first()
    page = builder.post(f"/share/?report={revision.pk}", {"days": "30", "hides_places": "on"})
    link = page.context["link"]
    assert builder.get(link.removeprefix("http://testserver")).status_code == 200
    made = ShareLink.objects.get()
    assert (made.hides_places, made.hides_people) == (True, False)
    builder.post(f"/share/{made.pk}/revoke/")
    assert builder.get(link.removeprefix("http://testserver")).status_code == 410
    assert builder.get("/share/?report=nonsense").status_code == 404
