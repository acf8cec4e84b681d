"""What a session's logs say together, with what its instruments add to the uncertainty."""

from datetime import UTC, datetime

import numpy as np
import pytest
from uncertainties import ufloat

from calc.session_facts import LogFacts
from sessions.logs.log_facts import StoredLog, log_facts
from sessions.outings.models import Assumptions


def test_a_resistance_from_a_log_is_no_surer_than_the_scale_of_its_current_sensor():
    # A sensor that shows 3 % too much at every sample moves no residual of the fit: uncertainties 3.2.3.
    time_s = np.arange(0.0, 60.0)
    current_a = np.tile([0.0, 20.0, 40.0, 10.0], 15)
    facts = LogFacts.of_series(time_s, 52.0 - 0.02 * current_a, current_a)
    assert facts.u_resistance_ohm < 1e-9
    log = StoredLog("ride.csv", {"facts": {**vars(facts)}}, None, 0.0)
    combined = log_facts([log], datetime(2026, 1, 17, 11, 0, tzinfo=UTC), Assumptions(u_charge_fraction=0.03))
    expected = 0.02 / ufloat(1.0, 0.03)
    assert (combined.resistance_ohm, combined.u_resistance_ohm) == pytest.approx(
        (expected.nominal_value, expected.std_dev), rel=1e-6
    )
