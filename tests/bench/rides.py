"""Rides of a revision, one a day."""

from datetime import UTC, datetime, timedelta

from sessions.models import Session

START = datetime(2026, 1, 10, 10, 0, tzinfo=UTC)


def rides(revision, venue, count, km=10.0, first_day=0, **more):
    return [
        Session.objects.create(
            revision=revision, venue=venue, started_at=START + timedelta(days=first_day + index), distance_m=1000 * km,
            runtime_s=1800.0, charge_used_ah=8.0, rest_voltage_start_v=58.0, rest_voltage_end_v=52.0, **more,
        )
        for index in range(count)
    ]  # fmt: skip
