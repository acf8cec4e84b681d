"""Assumptions about a vehicle's measurements."""

from __future__ import annotations

from typing import Any

from django.db import models

from buildlog.quantities.fields import QuantityField
from calc.trials.columns import SMALLEST_ENERGY_DIFFERENCE, SMALLEST_SPEED_DIFFERENCE
from calc.trials.plan import POWER
from calc.trials.results import PAGE_ERROR


class Assumptions(models.Model):
    """Assumptions about one vehicle's measurements, until somebody knows better.

    The standard uncertainties are common practice, no source: what hobby instruments and a
    careful person usually reach. Each can be changed on the vehicle's page.
    """

    keeps_history = True

    vehicle = models.OneToOneField(
        "buildlog.Vehicle", on_delete=models.CASCADE, primary_key=True, related_name="assumptions"
    )
    reserve_fraction = QuantityField("reserve kept for coming home", kind="fraction", default=0.2, high=0.9)
    u_press_s = QuantityField("one press of a stopwatch", kind="duration", default=0.1, high=5)
    u_distance_fraction = QuantityField("distance ridden", kind="fraction", default=0.02, high=0.5)
    u_estimated_distance_fraction = QuantityField(
        "distance, where it is estimated", kind="fraction", default=0.1, high=1
    )
    u_charge_fraction = QuantityField("charge used", kind="fraction", default=0.02, high=0.5)
    u_energy_fraction = QuantityField("energy from a meter", kind="fraction", default=0.02, high=0.5)
    u_voltage_v = QuantityField("a voltage reading", kind="voltage", default=0.1, high=10)
    u_rest_charge_fraction = QuantityField("state of charge from rest voltage", kind="fraction", default=0.05, high=0.5)
    cold_loss_per_c_fraction = QuantityField(
        "capacity that the cold holds back, for each °C below 25 °C", kind="fraction", default=0.005, high=0.05
    )
    held_rate_fraction = QuantityField(
        "a fix has held once its failure is shown to come at less than this share of the earlier rate",
        kind="fraction",
        default=0.5,
        includes_low=False,
        high=1,
    )
    held_confidence = QuantityField("how sure that must be", kind="fraction", default=0.8, low=0.5, high=0.99)
    speed_difference_fraction = QuantityField(
        "smallest difference in speed that matters",
        kind="fraction",
        default=SMALLEST_SPEED_DIFFERENCE,
        low=0.001,
        high=0.5,
    )
    energy_difference_fraction = QuantityField(
        "smallest difference in energy per km and range that matters",
        kind="fraction",
        default=SMALLEST_ENERGY_DIFFERENCE,
        low=0.001,
        high=0.5,
    )
    trial_power_fraction = QuantityField(
        "chance that a trial shows the change it was planned for", kind="fraction", default=POWER, low=0.5, high=0.99
    )
    page_error_fraction = QuantityField(
        "chance of any false claim among all questions of a machine",
        kind="fraction",
        default=PAGE_ERROR,
        low=0.001,
        high=0.2,
    )

    class Meta:
        verbose_name_plural = "assumptions"

    def __str__(self) -> str:
        return f"Assumptions for {self.vehicle}"

    def get_absolute_url(self) -> str:
        return self.vehicle.get_absolute_url()

    @classmethod
    def of(cls, vehicle: Any) -> Assumptions:
        """The vehicle's own, or the defaults, unsaved; no query where they were selected with the vehicle."""
        try:
            stored: Assumptions = vehicle.assumptions
            return stored
        except cls.DoesNotExist:
            return cls(vehicle=vehicle)
