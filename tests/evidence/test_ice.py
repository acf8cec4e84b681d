"""The measured ice beside published guidelines, on the session's page."""

import pytest

from sessions.models import Session


@pytest.mark.parametrize(("thickness_cm", "surface", "short", "words"), [
    # Minnesota DNR, Ice thickness guidelines (2023): 5 inches for a snowmobile, 7 for a side-by-side; clear ice.
    (13.0, "clear_ice", ["side-by-side all-terrain vehicle", "small car", "2 t vehicle (estimated in the source)"],
     "Thinner than published, for clear ice"),
    # The same source: white ice needs twice the thickness.
    (13.0, "white_ice", None, "for white ice twice the thickness"),
    (40.0, "clear_ice", [], "published guideline thicknesses"),
])  # fmt: skip
def test_thickness_is_compared_and_never_permitted(session, sign_in, thickness_cm, surface, short, words):
    Session.objects.filter(pk=session.pk).update(ice_thickness_cm=thickness_cm, surface=surface)
    page = sign_in("reader").get(session.get_absolute_url())
    text = page.content.decode().replace("&#x27;", "'")
    assert words in text
    assert "not permissions" in text
    uses = [row.use for row in page.context["ice"]["short"]]
    if short is not None:
        assert uses == short
    else:
        assert "snowmobile or small all-terrain vehicle" in uses


def test_nothing_is_compared_that_was_not_measured(session, sign_in):
    Session.objects.filter(pk=session.pk).update(ice_thickness_cm=None)
    page = sign_in("reader").get(session.get_absolute_url())
    assert page.context["ice"] is None
    assert "published" not in page.content.decode()


def test_a_thickness_in_doubt_reaches_nothing(session, sign_in):
    """300 cm is more than lakes have, and may be 30 cm written in mm; a slip must not read as thick ice."""
    Session.objects.filter(pk=session.pk).update(ice_thickness_cm=300.0, surface="")
    page = sign_in("reader").get(session.get_absolute_url())
    assert page.context["ice"]["reached"] == []
    text = page.content.decode()
    assert "Until that is settled, it reaches no published guideline." in text
    assert "· ice 300 cm" in text
