"""At the lake, without a network: a voltage or temperature that reaches a limit is said the moment it is typed."""

import pytest
from playwright.sync_api import expect

from tests import migrated_databases
from tests.browser.installation import Installation
from tests.browser.waits import wait_until

ELECTRICS = """
from buildlog.models import *
revision = Revision.objects.get()
for category, specification in (
    ("speed_controller", dict(highest_voltage_v=60.0, lowest_voltage_v=40.0, highest_temperature_c=85.0)),
    ("motor", dict(highest_voltage_v=72.0)),
):
    part = Part.objects.create(name=category, category=category, mass_kg=2.0, specification=specification)
    Fitting.objects.create(revision=revision, part=part)
module = Part.objects.get(category="battery_module")
module.specification |= dict(highest_temperature_c=60.0, lowest_temperature_c=-20.0)
module.save()
"""


def revisions_kept(phone):
    return next((item["value"]["revisions"] for item in phone.kept("meta") if item["key"] == "reference"), [])


@pytest.fixture(scope="session")
def folder_with_electrics(folder_of_the_run, filled_installation):
    """The data folder of an installation whose machine has limits; not to be changed."""

    def make(folder):
        done = Installation.copy_of(filled_installation, folder).run("shell", "--verbosity=0", "-c", ELECTRICS)
        assert done.returncode == 0, done.stdout

    return migrated_databases.made_once(folder_of_the_run / "with-electrics", make)


@pytest.fixture
def offline(installation, folder_with_electrics, phone):
    """A phone that once saw the machine's limits, and then lost the network."""
    # A page that is left while its worker is only starting may come up again without one.
    phone.kept_for_offline().page.goto("about:blank")
    installation.reset(folder_with_electrics)
    phone.open().kept_for_offline()
    wait_until(
        lambda: any(item.get("limits", {}).get("cut_off_v") == 40.0 for item in revisions_kept(phone)),
        "the phone did not take the limits along",
        longest_s=60,
    )
    phone.page.reload()
    phone.ready()
    phone.context.set_offline(True)
    return phone


def say_all_is_well(page):
    for item in page.locator("fieldset.choices").all():
        item.get_by_text("Yes", exact=True).click()


@pytest.mark.parametrize(("volts", "words"), [
    ("62,4", "Above the voltage limit of the controller. The pack at rest before the ride had 62.4 V; the limit "
             "of the controller is 60 V."),
    ("60", "At the voltage limit of the controller."),
    ("59.1", "Near the voltage limit of the controller."),
    ("38", "Below the controller's cut-off."),
])  # fmt: skip
def test_a_rest_voltage_warns_before_the_start_and_goes_on_warning(offline, volts, words):
    page = offline.page
    page.get_by_text("Conditions, if known now").click()
    rest = page.get_by_role("textbox", name="Rest voltage before")
    rest.press_sequentially(volts)
    alarm = page.locator("#in-rest_voltage_start_v-alarm")
    # By itself, a moment after the last key: nobody has left the field.
    expect(alarm).to_contain_text(words)
    expect(rest).to_be_focused()
    assert alarm.get_attribute("role") == "alert"
    page.get_by_role("button", name="Go/no-go check").click()
    expect(page.get_by_role("heading", name="Go/no-go check")).to_be_visible()
    expect(page.locator("#field")).to_contain_text(words)
    say_all_is_well(page)
    page.get_by_role("button", name="Start").click()
    page.wait_for_selector("nav.board")
    expect(page.locator("#field")).to_contain_text(words)


def test_a_voltage_well_within_says_nothing(offline):
    page = offline.page
    page.get_by_text("Conditions, if known now").click()
    page.get_by_role("textbox", name="Rest voltage before").fill("54,2")
    page.get_by_role("textbox", name="Air temperature").click()
    expect(page.locator("#in-rest_voltage_start_v-alarm")).to_have_text("")
    offline.start_session()
    expect(page.locator(".alarm")).to_have_count(0)


def test_a_reading_warns_at_once_and_stays_on_the_board_until_it_is_taken_back(offline):
    page = offline.page
    offline.start_session().to("Reading")
    page.get_by_role("textbox", name="Voltage").fill("61,0")
    page.get_by_role("textbox", name="Current").click()
    expect(page.locator("#in-voltage_v-alarm")).to_contain_text("The pack in a reading had 61 V")
    page.get_by_text("More to read off").click()
    page.get_by_role("textbox", name="Battery temperature").fill("71")
    page.get_by_role("textbox", name="Controller temperature").fill("80")
    expect(page.locator("#in-battery_temperature_c-alarm")).to_contain_text("Hotter than the battery may be.")
    expect(page.locator("#in-controller_temperature_c-alarm")).to_have_text("")
    page.get_by_role("button", name="Save reading").click()
    page.wait_for_selector("nav.board")
    expect(page.locator(".alarm")).to_have_count(2)
    # A later reading that is well does not unsay what was measured.
    page.locator("#said").get_by_role("button", name="Close").click()
    offline.read(voltage="53,0")
    expect(page.locator(".alarm")).to_have_count(2)
    expect(page.locator(".alarm").first).to_contain_text("61 V")


def test_too_low_is_said_while_it_is_the_last_word(offline):
    page = offline.page
    offline.start_session().read(voltage="39,5")
    expect(page.locator(".alarm")).to_contain_text("Below the controller's cut-off.")
    offline.read(voltage="51")
    expect(page.locator(".alarm")).to_have_count(0)


def test_a_rest_voltage_after_the_ride_warns_too(offline):
    page = offline.page
    offline.start_session().to("End")
    page.get_by_role("textbox", name="Rest voltage after").fill("60,4")
    page.get_by_role("textbox", name="Charge used").click()
    expect(page.locator("#in-rest_voltage_end_v-alarm")).to_contain_text("The pack at rest after the ride had 60.4 V")


def test_another_machine_has_other_limits(offline, installation):
    """What was typed for one machine is held against the other's limits as soon as that is chosen."""
    page = offline.page
    offline.context.set_offline(False)
    rows = "from buildlog.models import *; from datetime import date; vehicle = Vehicle.objects.create(name='Kart')"
    rows += "; Revision.objects.create(vehicle=vehicle, number=1, date=date(2026, 1, 1), status='riding')"
    assert installation.run("shell", "--verbosity=0", "-c", rows).returncode == 0
    page.reload()
    offline.ready()
    expect(page.get_by_text("Kart R1")).to_be_visible(timeout=70_000)
    page.get_by_text("Bench sled R3").click()
    page.get_by_text("Conditions, if known now").click()
    page.get_by_role("textbox", name="Rest voltage before").fill("62")
    page.get_by_role("textbox", name="Air temperature").click()
    alarm = page.locator("#in-rest_voltage_start_v-alarm")
    expect(alarm).to_contain_text("Above the voltage limit of the controller.")
    page.get_by_text("Kart R1").click()
    expect(alarm).to_have_text("")


def test_a_warning_never_moves_a_button_from_under_a_finger(offline):
    """A slow press on Save: the field is left with it, and what is to be said waits until the finger is up."""
    page = offline.page
    offline.start_session().to("Reading")
    page.get_by_role("textbox", name="Voltage").fill("61,0")
    save = page.get_by_role("button", name="Save reading")
    save.scroll_into_view_if_needed()
    before = save.bounding_box()
    assert before["y"] + before["height"] <= 844
    page.mouse.move(before["x"] + before["width"] / 2, before["y"] + before["height"] / 2)
    page.mouse.down()
    page.wait_for_timeout(1500)
    # Pressed, it gives way by 2 px.
    assert abs(save.bounding_box()["y"] - before["y"]) <= 2
    page.mouse.up()
    page.wait_for_selector("nav.board")
    expect(page.locator(".alarm")).to_contain_text("61 V")


def test_a_screen_that_is_drawn_again_says_it_again(offline):
    page = offline.page
    page.get_by_text("Conditions, if known now").click()
    page.get_by_role("textbox", name="Rest voltage before").fill("62")
    alarm = page.locator("#in-rest_voltage_start_v-alarm")
    expect(alarm).to_contain_text("Above the voltage limit of the controller.")
    page.evaluate("() => { document.activeElement.blur(); dispatchEvent(new Event('hashchange')); }")
    expect(page.get_by_role("heading", name="Start a session")).to_be_visible()
    expect(alarm).to_contain_text("Above the voltage limit of the controller.")
    expect(alarm).to_be_visible()
