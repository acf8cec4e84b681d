"""The pages opened on the sofa: comparison, season, report and a shared link; drawn, saved and printed."""

import io

import pytest
from PIL import Image
from playwright.sync_api import expect

from tests.browser.accessibility import broken_rules
from tests.browser.test_main_job import fits

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def season(machine_of_the_season, signed_in):
    signed_in("builder")
    return machine_of_the_season


def drawn(page):
    page.wait_for_selector("html[data-drawn]")


def test_compare_narrow_down_and_save_a_picture(page, live_server, season, photograph):
    page.goto(f"{live_server.url}/compare/")
    drawn(page)
    page.get_by_text("Other revisions and measures").click()
    page.get_by_text("What must match").click()
    page.get_by_label("Only on").select_option(label="Clear ice")
    page.get_by_label("Two-way mean speed").check()
    page.get_by_role("button", name="Compare", exact=True).click()
    drawn(page)
    text = page.text_content("main")
    assert "left out because they do not match" in text
    assert "questions share one 5 % risk of a false claim" in text
    assert "adjusted for" in text
    expect(page.locator("#means svg.picture").first).to_be_visible()
    page.locator(".closer:has(#two_way_mean_speed) > summary").click()
    expect(page.locator("#two_way_mean_speed .main-svg").first).to_be_visible()
    photograph("sofa-compare")
    assert fits(page)
    assert broken_rules(page) == []
    with page.expect_download() as download:
        page.get_by_role("button", name="Save as PNG").first.click()
    picture = Image.open(io.BytesIO(download.value.path().read_bytes()))
    assert picture.size == (1100, 620)
    with page.expect_download() as download:
        page.get_by_role("button", name="Save as SVG").first.click()
    assert download.value.path().read_text().startswith("<svg")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_season_and_records(page, live_server, season, photograph, scheme):
    page.emulate_media(color_scheme=scheme)
    page.goto(f"{live_server.url}/vehicles/{season.pk}/season/")
    drawn(page)
    page.get_by_text("Look closer").first.click()
    expect(page.locator(".chart .main-svg").first).to_be_visible()
    assert page.locator("figure.chart:has(.main-svg)").count() == 3
    page.get_by_text("Energy per km against speed").click()
    page.get_by_text("Failures over the distance").click()
    # Read without the chart library; it draws what is looked at closer.
    expect(page.locator(".still svg:visible")).to_have_count(3)
    assert page.locator("figure.chart:has(.main-svg)").count() == 3
    for fold in page.locator(".closer:visible > summary").all():
        fold.click()
    expect(page.locator("#failure_rate .main-svg").first).to_be_visible()
    assert page.locator("figure.chart:has(.main-svg)").count() == 6
    assert "Best pass" in page.text_content("main")
    ink = page.evaluate("() => getComputedStyle(document.documentElement).getPropertyValue('--ink').trim()")
    assert page.evaluate("() => document.getElementById('energy_over_speed').layout.font.color") == ink
    photograph(f"sofa-season-{scheme}")
    assert fits(page)
    assert broken_rules(page) == []


def test_the_report_prints_and_is_shared(page, live_server, season, photograph, browser):
    revision = season.revisions.get(number=4)
    page.goto(f"{live_server.url}/revisions/{revision.pk}/report/")
    photograph("sofa-report")
    assert fits(page)
    assert broken_rules(page) == []
    paper = page.pdf(format="A4")
    assert paper.startswith(b"%PDF")
    assert len(paper) > 10_000
    page.emulate_media(media="print")
    assert page.locator(".places").is_hidden()
    page.emulate_media(media="screen")
    page.get_by_role("link", name="Share").click()
    page.get_by_role("button", name="Make the link").click()
    link = page.locator("main code").inner_text()
    guest = browser.new_context().new_page()
    guest.goto(link)
    text = guest.text_content("main")
    assert "14s modules instead of 12s" in text
    assert "Hallava" not in text
    assert guest.locator("a[href^='/']").count() <= 1
    page.get_by_role("button", name="End it").click()
    guest.goto(link)
    assert "shows nothing any more" in guest.text_content("main")
    guest.context.close()


def test_a_comparison_prints_with_its_charts(page, live_server, season):
    page.goto(f"{live_server.url}/compare/?all=yes")
    drawn(page)
    paper = page.pdf(format="A4", print_background=True)
    assert paper.count(b"/Type /Page") >= 2
    assert len(paper) > 30_000


def test_a_track_is_drawn_and_its_rides_become_passes(page, live_server, season, photograph):
    from sessions.models import Gate, GateMark, Pass, Session
    from tests.logs.test_gate_rides import steady
    from tests.logs.test_gpx import START, gpx

    session = Session.objects.order_by("started_at").first()
    Session.objects.filter(pk=session.pk).update(started_at=START, ended_at=None)
    gate = Gate.objects.create(venue=session.venue, name="North run", method="coordinates")
    for index, latitude in enumerate((60.0000, 60.0005, 60.0010)):
        GateMark.objects.create(gate=gate, position_m=55.7 * index, latitude_deg=latitude, longitude_deg=25.0)
    before = Pass.objects.count()
    page.goto(live_server.url + session.get_absolute_url())
    page.locator(".more > summary").click()
    page.get_by_role("link", name="Import a log").click()
    file = {"name": "ride.gpx", "mimeType": "application/gpx+xml"}
    page.get_by_label("Log of any logger").set_input_files({**file, "buffer": b"<html></html>"})
    page.get_by_role("button", name="Import").click()
    assert "It could not be imported." in page.text_content("main")
    # The file is kept with its session; another one is read in beside it.
    page.goto(f"{live_server.url}/sessions/{session.pk}/new-log/")
    content = gpx(*steady(), *steady(out=False, begins=60))
    page.get_by_label("Log of any logger").set_input_files({**file, "buffer": content})
    page.get_by_role("button", name="Import").click()
    drawn(page)
    expect(page.get_by_role("img", name="The track from above")).to_be_visible()
    page.locator("summary", has_text="Look closer").click()
    expect(page.locator("#track .main-svg").first).to_be_visible()
    photograph("track")
    assert fits(page)
    assert broken_rules(page) == []
    page.get_by_role("checkbox").first.uncheck()
    page.get_by_role("button", name="Add the accepted ones").click()
    assert "1 pass added" in page.text_content("main")
    assert Pass.objects.count() == before + 1
