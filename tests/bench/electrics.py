"""A pack and a controller with their limits, fitted to a revision."""

from buildlog.models import Fitting, Part


def fit_electrics(revision, full_v=84.0, **controller):
    """A pack of one module, full at so many volts, and a controller that stands 84 V and stops at 60 V."""
    values = {"nominal_voltage_v": 0.9 * full_v, "full_voltage_v": full_v, "empty_voltage_v": 0.6 * full_v,
            "capacity_ah": 40.0, "highest_temperature_c": 60.0, "lowest_temperature_c": -20.0,
            "lowest_charging_temperature_c": 0.0}  # fmt: skip
    module = Part.objects.create(
        name=f"Module {full_v:g} V", category="battery_module", mass_kg=18, specification=values
    )
    values = {"highest_voltage_v": 84.0, "lowest_voltage_v": 60.0, "highest_temperature_c": 85.0, **controller}
    value = Part.objects.create(name="Controller 84 V", category="speed_controller", mass_kg=1, specification=values)
    Fitting.objects.create(revision=revision, part=module, series=1, parallel=1)
    Fitting.objects.create(revision=revision, part=value)
