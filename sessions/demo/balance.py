"""What scales and a tilt would have shown of an invented machine: what its parts add up to, but for small errors."""

from __future__ import annotations

import math

import numpy as np

from buildlog.machines.balance_tests import BalanceTest
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision
from calc.stability import STANDARD_GRAVITY_MPS2, contact_loads_n
from calc.support_polygon import tip_over_edges
from sessions.demo import season


def weigh_and_tilt(revision: Revision) -> None:
    """Both tests of one day, with nobody on the seat. The parts of the revision have masses and places."""
    balance = Machine.in_line(revision).balance
    mass_kg, x_m, z_m = balance.mass.value, balance.forward.value, balance.height.value
    if mass_kg is None or x_m is None or z_m is None:
        raise ValueError("the parts of the invented machine need masses and places")
    points = [(contact.x_m, contact.y_m) for contact in revision.ground_contacts]
    weighed_kg = contact_loads_n(points, (x_m, 0.0, z_m), mass_kg) / STANDARD_GRAVITY_MPS2 + season.SCALE_ERRORS_KG
    edges = tip_over_edges(points, (x_m, 0.0, z_m))
    left = int(np.argmin(np.abs(edges.outward_deg - BalanceTest.OUTWARD_DEG[BalanceTest.Side.LEFT])))
    tilt_deg = math.degrees(math.atan2(edges.distance_m[left], z_m)) + season.TILT_ERROR_DEG
    loads = [
        {"x_m": at_x_m, "y_m": at_y_m, "mass_kg": round(float(load_kg), 1)}
        for (at_x_m, at_y_m), load_kg in zip(points, weighed_kg, strict=True)
    ]
    for test in (
        BalanceTest(kind=BalanceTest.Kind.WEIGHING, loads=loads, notes=season.WEIGHING_NOTES),
        BalanceTest(
            kind=BalanceTest.Kind.TILT,
            side=BalanceTest.Side.LEFT,
            tilt_deg=round(2.0 * tilt_deg) / 2.0,
            notes=season.TILT_NOTES,
        ),
    ):
        test.revision, test.done_on = revision, revision.date
        test.full_clean()
        test.save(force_insert=True)
