"""Several logs of one session: joined where they follow each other, never counted twice."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calc.joined_logs import PlacedLog, of_several_logs
from calc.session_facts import LogFacts


def ride(times, volts=50.0, amps=20.0):
    return LogFacts.of_series(times, np.full(times.size, volts), np.full(times.size, amps))


def test_two_halves_are_the_whole():
    """By hand: 972 s at 20 A are 5.4 Ah; cut in two by a restart of 60 s, 5.07 Ah are left; the longer half alone has
    half of it, as earlier releases said."""
    whole = ride(np.arange(0.0, 973.0))
    assert whole.charge_ah == pytest.approx(5.4)
    first, second = ride(np.arange(0.0, 481.0)), ride(np.arange(540.0, 973.0))
    both = of_several_logs([PlacedLog("a", 0.0, first), PlacedLog("b", 540.0, second)])
    assert both.charge_ah == pytest.approx((480 + 432) * 20 / 3600)
    assert both.energy_wh == pytest.approx(both.charge_ah * 50)
    assert both.mean_power_w == pytest.approx(1000)
    assert both.rests_on == "a and b, joined"


def test_of_the_same_minutes_the_longer_counts_and_the_other_is_named():
    long, short = ride(np.arange(0.0, 601.0)), ride(np.arange(0.0, 301.0), amps=90.0)
    both = of_several_logs([PlacedLog("short", 100.0, short), PlacedLog("long", 0.0, long)])
    assert both.charge_ah == long.charge_ah
    # A limit is passed whichever of them saw it.
    assert both.highest_current_a == 90.0
    assert both.rests_on == "long; not short, which covers the same time"


def test_a_log_whose_place_is_not_known_is_added_to_none():
    part = ride(np.arange(0.0, 301.0))
    both = of_several_logs([PlacedLog("a", 0.0, part), PlacedLog("b", None, part)])
    assert both.charge_ah == part.charge_ah
    assert "whose place in the session is not known" in both.rests_on


def test_one_log_says_nothing_of_others():
    track = LogFacts(battery_temperature_c=40.0)
    both = of_several_logs([PlacedLog("a", 0.0, ride(np.arange(0.0, 61.0))), PlacedLog("b", 0.0, track)])
    assert both.rests_on is None
    assert both.battery_temperature_c == 40.0
    assert of_several_logs([]) is None


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(1, 20)), min_size=1, max_size=7))
def test_no_choice_covers_more_time_without_overlap(spans):
    logs = [
        PlacedLog(str(place), float(begin * 10), LogFacts(duration_s=float(length * 10), charge_ah=float(length)))
        for place, (begin, length) in enumerate(spans)
    ]
    best = 0.0
    for count in range(1, len(logs) + 1):
        for chosen in itertools.combinations(sorted(logs, key=lambda log: log.span_s), count):
            if all(a.span_s[1] <= b.span_s[0] for a, b in itertools.pairwise(chosen)):
                best = max(best, sum(log.facts.charge_ah for log in chosen))
    assert of_several_logs(logs).charge_ah == pytest.approx(best)
    assert of_several_logs([replace(log, begins_s=None) for log in logs]).charge_ah == max(
        log.facts.charge_ah for log in logs
    )
