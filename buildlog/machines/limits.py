"""The limits of a build, and how near it is to each: for today's revision and one that is only planned."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from buildlog.machines.machine import Machine
from calc import drivetrain, endurance, pack, stability
from calc.alarms import PASSED, Alarm
from calc.cautions import BATTERY, TIPPING
from calc.quantities import written

FAST = "Speed and stopping distance grow together; on ice, far more than on a road. A top speed is no target."
FAR = "Cold, wind and soft snow shorten a range. Turn back before it says so."


@dataclass(frozen=True)
class Ride:
    """What the numbers of a build depend on besides the build itself."""

    rider_kg: float | None = None
    consumption_wh_per_km: float | None = None
    reserve_fraction: float = 0.2


@dataclass(frozen=True)
class Limit:
    """One number of a build, and what is missing where it cannot be worked out."""

    key: str
    label: str
    kind: str
    value: float | None
    kernel: str
    caution: str = ""
    needs: str = ""
    alarm: Alarm | None = None

    @property
    def is_over(self) -> bool:
        return self.alarm is not None and self.alarm.is_over


@dataclass(frozen=True)
class LimitPair:
    """One number of two builds side by side."""

    today: Limit
    planned: Limit

    @property
    def moved(self) -> bool:
        one, other = self.today.value, self.planned.value
        # What was typed in inches comes back a little off.
        return one != other and (one is None or other is None or not math.isclose(one, other, rel_tol=1e-9))

    @property
    def change(self) -> float | None:
        if self.today.value is None or self.planned.value is None:
            return None
        return self.planned.value - self.today.value


def limits_of(machine: Machine, ride: Ride) -> list[Limit]:
    """Every limit the next change may touch, always in the same order."""
    return [work(machine, ride) for work in _WORK]


def side_by_side(today: Machine, planned: Machine, ride: Ride) -> list[LimitPair]:
    return [LimitPair(*pair) for pair in zip(limits_of(today, ride), limits_of(planned, ride), strict=True)]


def cautions(limits: Iterable[Limit]) -> list[str]:
    return list(dict.fromkeys(limit.caution for limit in limits if limit.caution and limit.value is not None))


def alarms(limits: Iterable[Limit]) -> list[Alarm]:
    """What is passed or nearly reached, to be said above everything else."""
    return [limit.alarm for limit in limits if limit.alarm is not None]


def _mass(machine: Machine, ride: Ride) -> Limit:
    needs = _needs(machine.balance.mass.needs)
    return Limit("mass", "Mass without rider", "mass", machine.mass_kg, "stability.centre_of_gravity", "", needs)


def _full_voltage(machine: Machine, ride: Ride) -> Limit:
    value = machine.pack.full_voltage_v if machine.pack else None
    return Limit("full_voltage", "Pack, full", "voltage", value, "pack.modules", BATTERY, "fit battery modules")


def _voltage_margin(category: str, name: str) -> Callable[[Machine, Ride], Limit]:
    def work(machine: Machine, ride: Ride) -> Limit:
        limits, highest = machine.limits(category), machine.highest_voltage
        value = None
        if highest is not None and limits is not None and limits.highest_voltage_v is not None:
            value = pack.voltage_margin_v(limits.highest_voltage_v, highest.voltage_v)
        return Limit(
            f"{category}_voltage", f"{name}: volts to its limit, from the highest known", "voltage", value,
            "pack.voltage_margin_v", BATTERY, f"fit pack and {name.lower()}, with its highest voltage",
            machine.voltage_alarm(category),
        )  # fmt: skip

    return work


def _cut_off_margin(machine: Machine, ride: Ride) -> Limit:
    limits = machine.limits("speed_controller")
    value = None
    if machine.pack is not None and limits is not None and limits.lowest_voltage_v is not None:
        value = pack.voltage_margin_v(machine.pack.full_voltage_v, limits.lowest_voltage_v)
    return Limit(
        "cut_off", "Full pack: volts above the controller's cut-off", "voltage", value, "pack.voltage_margin_v", "",
        "fit pack and controller, with its low-voltage cut-off", machine.cut_off_alarm,
    )  # fmt: skip


def _current_margin(machine: Machine, ride: Ride) -> Limit:
    limits = machine.limits("speed_controller")
    pack_a = machine.pack.continuous_current_a if machine.pack else None
    controller_a = limits.continuous_current_a if limits else None
    value, alarm = None, None
    if pack_a and controller_a:
        value = float(pack.current_margin_a(pack_a, controller_a))
        if value < 0:
            alarm = Alarm(
                PASSED,
                "The controller may draw more than the pack may give.",
                f"The controller stands {written(controller_a, 'current')} for long, the pack "
                f"{written(pack_a, 'current')}: limit the controller, or the pack overheats.",
            )
    return Limit(
        "pack_current", "Pack: amps to its limit, controller at its own", "current", value, "pack.current_margin_a",
        BATTERY, "give pack and controller their continuous current", alarm,
    )  # fmt: skip


def _c_rate(machine: Machine, ride: Ride) -> Limit:
    limits, value = machine.limits("speed_controller"), None
    if machine.pack and limits and limits.continuous_current_a:
        value = pack.c_rate(limits.continuous_current_a, machine.pack.capacity_ah)
    needs = "fit pack and controller, with its continuous current"
    return Limit("c_rate", "C-rate at the controller's current, 1/h", "ratio", value, "pack.c_rate", BATTERY, needs)


def _top_speed(machine: Machine, ride: Ride) -> Limit:
    motors = [f.part.specification for f in machine.fittings if f.part.category == "motor"]
    constants = [told["motor_constant_rpm_per_v"] for told in motors if "motor_constant_rpm_per_v" in told]
    constant = min(constants, default=None)
    ratio, round_m = machine.revision.drive_ratio, machine.revision.rolling_circumference_m
    value = None
    if constant and ratio and round_m and machine.pack:
        turns = float(drivetrain.no_load_speed_rpm(constant, machine.pack.nominal_voltage_v))
        turns = min([turns, *(told["highest_speed_rpm"] for told in motors if "highest_speed_rpm" in told)])
        value = float(drivetrain.road_speed_mps(turns, ratio, round_m))
    return Limit(
        "top_speed", "Top speed by the gearing, no load", "speed", value, "drivetrain.road_speed_mps", FAST,
        "give motor constant, pack, drive ratio and rolling circumference",
    )  # fmt: skip


def _range(machine: Machine, ride: Ride) -> Limit:
    value = None
    if machine.pack and ride.consumption_wh_per_km:
        full_wh = machine.pack.energy_wh
        value = float(endurance.remaining_range_m(full_wh, full_wh, ride.reserve_fraction, ride.consumption_wh_per_km))
    return Limit(
        "range", "Range at the energy per km ridden so far", "trip", value, "endurance.remaining_range_m", FAR,
        "fit a pack, and log a session with distance and energy",
    )  # fmt: skip


def _needs(text: str) -> str:
    return f"needs {text}" if text else ""


def _cg_height(machine: Machine, ride: Ride) -> Limit:
    both = machine.with_rider(ride.rider_kg)
    return Limit(
        "cg_height", "Centre of gravity with rider, height", "length", both.z_m if both else None,
        "stability.centre_of_gravity", "", _needs(machine.balance.needs_for_rider_height(ride.rider_kg)),
    )  # fmt: skip


def _factor(machine: Machine, ride: Ride) -> Limit:
    both, track_m = machine.with_rider(ride.rider_kg), machine.revision.track_width_m
    value = float(stability.static_stability_factor(track_m, both.z_m)) if both and track_m else None
    needs = machine.balance.needs_for_rider_height(ride.rider_kg) or "the track width"
    return Limit(
        "stability", "Static stability factor with rider", "ratio", value, "stability.static_stability_factor", TIPPING,
        _needs(needs),
    )  # fmt: skip


def _threshold(machine: Machine, ride: Ride) -> Limit:
    both = machine.with_rider(ride.rider_kg)
    track_m, wheelbase_m = machine.revision.track_width_m, machine.revision.wheelbase_m
    value, needs = None, machine.balance.needs_for_rider(ride.rider_kg)
    x_m = both.x_m if both is not None else None
    if not machine.single_contact:
        needs = "three ground contacts"
    elif needs or both is None or x_m is None:
        pass
    elif not track_m or not wheelbase_m:
        needs = "track width and wheelbase"
    else:
        from_single_m = x_m if machine.single_contact == "rear" else wheelbase_m - x_m
        if 0 <= from_single_m <= wheelbase_m:
            value = float(stability.three_contact_threshold_g(track_m, both.z_m, wheelbase_m, from_single_m))
        needs = BETWEEN
    return Limit(
        "threshold", "Tip-over threshold, three contacts, in g", "ratio", value, "stability.three_contact_threshold_g",
        TIPPING, _needs(needs),
    )  # fmt: skip


BETWEEN = "a centre of gravity between the contacts"


def _load(end: str) -> Callable[[Machine, Ride], Limit]:
    def work(machine: Machine, ride: Ride) -> Limit:
        both, wheelbase_m = machine.with_rider(ride.rider_kg), machine.revision.wheelbase_m
        value, needs = None, machine.balance.needs_for_rider(ride.rider_kg)
        x_m = both.x_m if both is not None else None
        if needs or both is None or x_m is None:
            pass
        elif not wheelbase_m:
            needs = "the wheelbase"
        else:
            if 0 <= x_m <= wheelbase_m:
                loads = stability.contact_loads(both.mass_kg, x_m, wheelbase_m)
                value = float(getattr(loads, f"{end}_n")) / stability.STANDARD_GRAVITY_MPS2
            needs = BETWEEN
        return Limit(
            f"{end}_load", f"Load on the {end} contacts with rider, as mass", "mass", value, "stability.contact_loads",
            "", _needs(needs),
        )  # fmt: skip

    return work


_WORK: tuple[Callable[[Machine, Ride], Limit], ...] = (
    _mass,
    _full_voltage,
    _voltage_margin("speed_controller", "Controller"),
    _voltage_margin("motor", "Motor"),
    _cut_off_margin,
    _current_margin,
    _c_rate,
    _top_speed,
    _range,
    _cg_height,
    _factor,
    _threshold,
    _load("front"),
    _load("rear"),
)
