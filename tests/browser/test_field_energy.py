"""Energy left and turn-back on the real page, as positions come in, stay away, and readings are taken."""

import itertools
import math
import os
import re
from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.browser.phone import SCREEN, Phone
from tests.browser.waits import wait_until

HOME = (61.05, 24.9)
# A degree of latitude there, by geographiclib 2.1 (WGS84): 111,430 m.
METRES_PER_DEGREE = 111_430.0


@pytest.fixture
def rider(installation, browser):
    context = browser.new_context(
        **SCREEN, geolocation={"latitude": HOME[0], "longitude": HOME[1], "accuracy": 5}, permissions=["geolocation"]
    )
    made = Phone(context, installation.url).signed_in(installation)
    yield made
    context.close()
    assert made.errors == []


def picture(phone, name):
    folder = os.environ.get("FIRNLOG_PICTURES")
    if folder:
        Path(folder).mkdir(parents=True, exist_ok=True)
        phone.page.screenshot(path=f"{folder}/energy-{name}.png")


def gauge(phone, label):
    return phone.page.locator("dl.gauge", has=phone.page.locator("dt", has_text=re.compile(f"^{label}")))


def shown(phone, label):
    """The figure of a gauge and its ±, in the unit it is shown in."""
    text = gauge(phone, label).locator("dd").first.inner_text()
    figures = re.match(r"([\d.]+) ± ([\d.]+) (km|Wh|kWh)$", text)
    assert figures, text
    return float(figures[1]), float(figures[2])


def exactly(phone):
    """Turn-back and energy left as the page works them out, before they are rounded."""
    return phone.page.evaluate(
        """async () => {
            const { current, energyState } = await module('outing');
            const { turn, left } = energyState(await current());
            return [turn?.value ?? null, left.value];
        }"""
    )


def home_is_noted(phone):
    wait_until(
        lambda: any(outing["way"]["points"] for outing in phone.kept("outings")),
        "the place of the start was not noted",
    )


def strip_above_the_mark(phone, label="Turn back after"):
    phone.to("Time a pass")
    phone.page.wait_for_selector("#mark")
    expect(gauge(phone, label)).to_be_visible()
    box = phone.page.locator(".strip").bounding_box()
    phone.to("Board")
    phone.page.wait_for_selector("nav.board")
    return box


class Ride:
    """Positions given to the phone one after another, each awaited until the board counts it."""

    def __init__(self, phone):
        self.phone, self.positions = phone, 0

    def begin(self):
        self.phone.page.get_by_role("button", name="Track").click()
        expect(self.phone.page.locator("#track")).to_contain_text("Track runs")
        self.positions = 1
        self.counted()
        return self

    def counted(self):
        expect(self.phone.page.locator("#track")).to_contain_text(re.compile(rf"\b{self.positions} positions"))

    def to(self, north_m, east_m=0.0, accuracy=5):
        place = {
            "latitude": HOME[0] + north_m / METRES_PER_DEGREE,
            "longitude": HOME[1] + east_m / (METRES_PER_DEGREE * math.cos(math.radians(HOME[0]))),
            "accuracy": accuracy,
        }
        self.phone.context.set_geolocation(place)
        self.positions += 1
        self.counted()


def test_straight_out_turn_back_falls_with_each_position(rider):
    """6 Ah at 5 km of a 2,419 Wh pack: 2,117 Wh left at 60 Wh/km with 484 Wh kept, 13.5 km; 8.3 km out it is 5.2."""
    rider.start_session()
    ride = Ride(rider).begin()
    rider.read(charge="6", distance="5")
    # By hand: 48 Ah × 50.4 V; 6 Ah × 50.4 V / 5 km; (2116.8 − 483.84) / (2 × 60.48).
    assert exactly(rider)[0] == pytest.approx(13_500, abs=5)
    sentences, rounded = [exactly(rider)], [shown(rider, "Turn back after")[0]]
    for north_m in range(100, 8301, 100):
        ride.to(north_m)
        sentences.append(exactly(rider))
        rounded.append(shown(rider, "Turn back after")[0])
    assert rounded == pytest.approx([13.5 - 0.1 * fix for fix in range(84)], abs=0.06)
    for before, after in itertools.pairwise(sentences):
        # At every fix: each 100 m out take 100 m off the turn-back and 6 Wh off the energy.
        assert before[0] - after[0] == pytest.approx(100, abs=2)
        assert before[1] - after[1] == pytest.approx(6.05, abs=0.1)
    assert sentences[-1][0] == pytest.approx(5200, abs=20)
    value, spread = shown(rider, "Turn back after")
    assert (value, spread) == (5.2, 3.0)
    # To the tens, because its ± is of hundreds.
    assert shown(rider, "Energy left")[0] in (1610, 1620)
    expect(gauge(rider, "Energy left")).to_contain_text("estimated since")
    expect(rider.page.locator("#way")).to_contain_text("Way home 8.3 km by your own track")
    picture(rider, "8-km-out")
    # On the way home it does not grow either, and a reading may say so at once.
    for north_m in range(8200, 7000, -200):
        ride.to(north_m)
        assert exactly(rider)[0] <= sentences[-1][0] + 1e-6
    rider.read(charge="9", distance="15")
    assert exactly(rider)[0] > sentences[-1][0]


def test_the_track_also_reaches_the_other_screens_and_leaves_what_is_typed(rider):
    rider.start_session()
    ride = Ride(rider).begin()
    rider.read(charge="6", distance="5").to("Reading")
    rider.page.get_by_role("textbox", name="Charge used").press_sequentially("6,")
    before = exactly(rider)[0]
    place = {"latitude": HOME[0] + 3000 / METRES_PER_DEGREE, "longitude": HOME[1], "accuracy": 5}
    ride.phone.context.set_geolocation(place)
    expect(gauge(rider, "Turn back after")).to_contain_text(re.compile(r"^Turn back after10.[45] ± "))
    assert before - exactly(rider)[0] == pytest.approx(3000, rel=0.01)
    expect(rider.page.get_by_role("textbox", name="Charge used")).to_have_value("6,")


def test_without_a_track_the_way_home_is_all_that_was_ridden_at_the_upper_energy(browser, installation):
    context = browser.new_context(**SCREEN)
    phone = Phone(context, installation.url).signed_in(installation)
    phone.start_session().read(charge="6", distance="5")
    # By hand: 60.48 ± 2 × 3.0 Wh/km; (2116.8 − 483.84 − 66.4 × 5) / (60.48 + 66.4), against 13.5 km at home.
    assert exactly(phone)[0] == pytest.approx(10_250, abs=20)
    expect(phone.page.locator("#way")).to_contain_text(
        "No track: way home assumed to be all that was ridden, 5 km, at 66 Wh/km at most."
    )
    picture(phone, "no-track")
    # A later reading of the trip counter alone counts too.
    phone.read(distance="9")
    assert exactly(phone)[0] == pytest.approx(6_250, abs=20)
    context.close()


def test_with_nothing_read_the_pack_is_taken_as_full_and_all_is_estimated(rider):
    rider.start_session()
    ride = Ride(rider).begin()
    expect(gauge(rider, "Energy left")).to_contain_text("assumed full at the start; estimated since")
    ride.to(500)
    # Nothing tells what a kilometre takes here: no turn-back, and what is left is said to be an upper figure.
    expect(gauge(rider, "Energy left at most")).to_contain_text("is not subtracted")
    expect(gauge(rider, "Turn back after")).to_contain_text("needs a reading of charge and distance")


def test_a_position_that_is_not_good_moves_nothing(rider):
    rider.start_session()
    ride = Ride(rider).begin()
    rider.read(charge="6", distance="5")
    before = exactly(rider)
    ride.to(2000, accuracy=400)
    assert exactly(rider) == before


def test_a_missing_position_is_said_on_the_board_and_not_over_it(rider):
    rider.start_session()
    ride = Ride(rider).begin()
    message = rider.page.locator("#said")
    rider.context.set_geolocation(None)
    expect(rider.page.locator("#track")).to_contain_text("The phone finds no position just now")
    expect(message).not_to_contain_text("position")
    ride.to(100)
    expect(rider.page.locator("#track")).not_to_contain_text("no position")


def test_a_trip_counter_set_to_zero_does_not_give_energy_back(rider):
    rider.start_session()
    Ride(rider).begin()
    rider.read(charge="6", distance="5")
    before = exactly(rider)[0]
    rider.read(charge="7", distance="0.6")
    assert exactly(rider)[0] < before
    expect(rider.page.locator("#way")).to_contain_text("The trip counter went back")
    expect(gauge(rider, "Turn back after")).to_contain_text("highest energy per km it can be")


def test_a_track_started_late_knows_its_way_home(rider):
    """The place of the start is noted where the phone allows it, so a later track does not begin at home."""
    rider.start_session()
    home_is_noted(rider)
    rider.read(charge="6", distance="5")
    rider.context.set_geolocation({"latitude": HOME[0] + 2000 / METRES_PER_DEGREE, "longitude": HOME[1], "accuracy": 5})
    Ride(rider).begin()
    expect(rider.page.locator("#way")).to_contain_text("Way home 2 km by your own track")


def test_a_track_started_late_by_a_phone_that_knows_no_home_begins_as_far_as_was_ridden(browser, installation):
    context = browser.new_context(**SCREEN, geolocation={"latitude": HOME[0], "longitude": HOME[1], "accuracy": 5})
    phone = Phone(context, installation.url).signed_in(installation).start_session().read(charge="6", distance="5")
    expect(phone.page.locator("#way")).to_contain_text("No track: way home assumed to be all that was ridden, 5 km")
    context.grant_permissions(["geolocation"])
    Ride(phone).begin()
    expect(phone.page.locator("#way")).to_contain_text("Way home 5 km by your own track")
    assert phone.errors == []
    context.close()


def test_the_noted_home_alone_is_no_track(rider):
    rider.start_session().read(charge="6", distance="5")
    home_is_noted(rider)
    expect(rider.page.locator("#way")).to_contain_text("No track: way home assumed to be all that was ridden, 5 km")


def test_30_s_without_a_position_count_down_and_a_closed_page_too(rider):
    rider.page.clock.install()
    rider.start_session()
    ride = Ride(rider).begin()
    rider.read(charge="6", distance="5")
    # From here on the page's time goes on only as it is told to.
    rider.page.clock.pause_at(rider.page.evaluate("() => Date.now()") / 1000 + 1)
    for second in range(1, 41):
        rider.page.clock.run_for(1000)
        ride.to(10.0 * second)
    at_last = exactly(rider)[0]
    usual_strip = strip_above_the_mark(rider)
    rider.page.clock.run_for(28_000)
    assert exactly(rider)[0] == pytest.approx(at_last, abs=1)
    rider.page.clock.run_for(17_000)
    # 45 s at 10 m/s: as much less as if it had been ridden straight out.
    counted = exactly(rider)[0]
    assert at_last - counted == pytest.approx(450, rel=0.08)
    assert strip_above_the_mark(rider, "Turn back, counted") == usual_strip
    expect(rider.page.locator("#way")).to_contain_text(re.compile(r"No position for 45 s: counted down at 3[5-7] km/h"))
    expect(rider.page.locator("#way")).to_contain_text("the highest speed lately")
    picture(rider, "no-position")
    # The next position is nearer than was counted; turn-back stays where it was said to be.
    ride.to(500)
    assert exactly(rider)[0] == pytest.approx(counted, abs=15)
    assert exactly(rider)[0] <= counted + 1e-6
    # The page is thrown away for 12 minutes, and nobody knows where the machine was.
    rider.page.reload()
    rider.ready()
    rider.page.clock.run_for(720_000)
    unseen = exactly(rider)[0]
    assert unseen == pytest.approx(counted - 7200, rel=0.08)
    expect(gauge(rider, "Energy left")).to_contain_text(re.compile(r"estimated since, 1[34] min"))
    expect(rider.page.locator("#way")).to_contain_text(re.compile(r"No track for 12 min"))
    picture(rider, "12-minutes-unseen")
    # A reading says how it is.
    rider.read(charge="6.5", distance="5.5")
    assert exactly(rider)[0] > unseen + 3000


def test_no_ride_lets_turn_back_or_energy_grow_without_a_reading(rider):
    """300 random rides of 40 steps: out, home, round and round, with silences, bad positions and passes in between."""
    rider.start_session()
    Ride(rider).begin()
    rider.read(charge="6", distance="5")
    grown = rider.page.evaluate(
        """async () => {
            const { arrive, current, energyState } = await module('outing');
            const base = await current();
            let seed = 20270116;
            const chance = () => (seed = (seed * 48271) % 2147483647) / 2147483647;
            const grown = [];
            let [steps, fell] = [0, 0];
            for (let ride = 0; ride < 300; ride += 1) {
                const held = structuredClone(base);
                let [at_s, north, east, heading] = [10, 0, 0, 6.28 * chance()];
                const now = () => { held.started_ms = Date.now() - 1000 * at_s; return energyState(held); };
                let last = now();
                const look = (what) => {
                    const next = now();
                    steps += 1;
                    if (next.turn.value < last.turn.value) fell += 1;
                    if (next.turn.value > last.turn.value + 1e-6 || next.left.value > last.left.value + 1e-6)
                        grown.push([ride, what, last.turn.value, next.turn.value, last.left.value, next.left.value]);
                    last = next;
                };
                for (let step = 0; step < 40; step += 1) {
                    const quiet = chance() < 0.15 ? 400 * chance() : 0;
                    for (const part of [0.3, 0.7]) {
                        at_s += part * quiet;
                        look("silent");
                    }
                    const [time, speed] = [1 + 9 * chance(), chance() < 0.2 ? 0 : 20 * chance()];
                    heading += chance() - 0.5;
                    at_s += time;
                    look("waits");
                    north += speed * (time + quiet * chance()) * Math.cos(heading);
                    east += speed * time * Math.sin(heading);
                    arrive(held, {
                        latitude: 61.05 + north / 111430, longitude: 24.9 + east / 53960, accuracy: 3 + 20 * chance(),
                    });
                    look("position");
                }
            }
            return { steps, fell, grown: grown.slice(0, 5) };
        }"""
    )
    assert grown["grown"] == []
    assert grown["steps"] == 300 * 40 * 4
    assert grown["fell"] > 5_000


def test_an_ended_session_has_no_turning_point(rider):
    rider.start_session()
    Ride(rider).begin()
    rider.read(charge="6", distance="5").to("End")
    rider.page.get_by_role("button", name="End session").click()
    expect(rider.page.get_by_role("heading", name="Session ended")).to_be_visible()
    rider.to("Measure it now")
    expect(gauge(rider, "Turn back after").locator("dd")).to_have_text("–")


def test_a_second_phone_knows_only_its_own_readings_and_says_so(phones):
    rider, shore = phones().sign_in("ilo"), phones().sign_in("mara")
    rider.start_session().read(charge="6", distance="5").queue(0)
    shore.open()
    shore.page.get_by_role("button", name="Join Bench sled R3").click()
    shore.page.wait_for_selector("nav.board")
    expect(gauge(shore, "Charge used")).to_contain_text("needs a reading")
    expect(gauge(shore, "Energy left")).to_contain_text("assumed full at the start")
    expect(gauge(shore, "Turn back after")).to_contain_text("needs a reading of charge and distance")
    shore.read(charge="7", distance="6")
    assert exactly(shore)[0] == pytest.approx(exactly(rider)[0], rel=0.2)
