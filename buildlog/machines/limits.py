"""The results and limits of a build, for today's revision and a planned one, as far as its parts give them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from buildlog.machines.machine import ELECTRONICS, Machine
from calc import drivetrain, endurance, pack, stability, traction
from calc.alarms import PASSED, Alarm
from calc.quantities import written
from calc.results import Result
from calc.voltage_margins import VoltageMargin

TURN_RADIUS_M = 15.0


@dataclass(frozen=True)
class Ride:
    """What the numbers of a build depend on besides the build itself."""

    rider_kg: float | None = None
    consumption_wh_per_km: float | None = None
    reserve_fraction: float = 0.2


@dataclass(frozen=True)
class ResultPair:
    """One result of two builds side by side."""

    today: Result
    planned: Result

    @property
    def moved(self) -> bool:
        today, planned = self.today.value, self.planned.value
        # A length typed in inches is converted with a small rounding error.
        return today != planned and (today is None or planned is None or not math.isclose(today, planned, rel_tol=1e-9))

    @property
    def change(self) -> float | None:
        if self.today.value is None or self.planned.value is None:
            return None
        return self.planned.value - self.today.value


def limits_of(machine: Machine, ride: Ride) -> list[Result]:
    """Every result and limit of a build, always in the same order; those without a value say what they need."""
    return [work(machine, ride) for work in _WORK]


def side_by_side(today: Machine, planned: Machine, ride: Ride) -> list[ResultPair]:
    return [ResultPair(*pair) for pair in zip(limits_of(today, ride), limits_of(planned, ride), strict=True)]


def _result(
    key: str, value: float | None, kernel: str, needs: str, method: str = "", alarm: Alarm | None = None
) -> Result:
    if value is None:
        return Result(key, None, needs=(needs,) if needs else ())
    return Result(key, float(value), method=method, kernel=kernel, alarm=alarm)


def _figure(name: str, key: str) -> Callable[[Machine, Ride], Result]:
    """Mass and place of the centre of gravity without rider, as the balance has them."""

    def work(machine: Machine, ride: Ride) -> Result:
        figure = getattr(machine.balance, name)
        moved = name != "mass" and figure.measured_on not in (None, machine.revision)
        kernel = "stability.after_changes" if moved else "stability.centre_of_gravity"
        return _result(key, figure.value, kernel, figure.needs, figure.how)

    return work


def _of_pack(key: str, attribute: str) -> Callable[[Machine, Ride], Result]:
    def work(machine: Machine, ride: Ride) -> Result:
        value = getattr(machine.pack, attribute) if machine.pack else None
        return _result(key, value, "pack.modules", machine.pack_needs, "Modules in series and parallel.")

    return work


def _voltage_margin(category: str, name: str) -> Callable[[Machine, Ride], Result]:
    needs = f"a pack, and the {name} with its highest voltage"

    def work(machine: Machine, ride: Ride) -> Result:
        return _of_margin(f"{name}_voltage_margin", machine.voltage_margin(category), needs)

    return work


def _cut_off_margin(machine: Machine, ride: Ride) -> Result:
    needs = "a pack, and the controller with its low-voltage cut-off"
    return _of_margin("controller_cut_off_margin", machine.cut_off_margin, needs)


def _of_margin(key: str, margin: VoltageMargin | None, needs: str) -> Result:
    if margin is None:
        return _result(key, None, "", needs)
    result = _result(key, margin.margin_v, "pack.voltage_margin_v", needs, margin.method, margin.alarm)
    return replace(result, limit=margin.limit_v, reached=margin.reached_v)


def _current_margin(machine: Machine, ride: Ride) -> Result:
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
                f"The controller carries {written(controller_a, 'current')} continuously, the pack "
                f"{written(pack_a, 'current')}: limit the controller, or the pack overheats.",
            )
    result = _result(
        "pack_current_margin",
        value,
        "pack.current_margin_a",
        "the continuous current of pack and controller",
        "Continuous limit of the pack less that of the controller.",
        alarm,
    )
    return result if value is None else replace(result, limit=pack_a, reached=controller_a)


def _c_rate(machine: Machine, ride: Ride) -> Result:
    limits, value = machine.limits("speed_controller"), None
    if machine.pack and limits and limits.continuous_current_a:
        value = pack.c_rate(limits.continuous_current_a, machine.pack.capacity_ah)
    needs = "a pack, and the controller with its continuous current"
    return _result("c_rate", value, "pack.c_rate", needs, "At the controller's continuous current, per hour.")


def _top_speed(machine: Machine, ride: Ride) -> Result:
    motors = [fitting.part.specification for fitting in machine.fittings if fitting.part.category == "motor"]
    constants = [motor["motor_constant_rpm_per_v"] for motor in motors if "motor_constant_rpm_per_v" in motor]
    constant = min(constants, default=None)
    ratio, circumference_m = machine.revision.drive_ratio, machine.revision.rolling_circumference_m
    value = None
    if constant and ratio and circumference_m and machine.pack:
        turns = float(drivetrain.no_load_speed_rpm(constant, machine.pack.nominal_voltage_v))
        turns = min([turns, *(motor["highest_speed_rpm"] for motor in motors if "highest_speed_rpm" in motor)])
        value = float(drivetrain.road_speed_mps(turns, ratio, circumference_m))
    return _result(
        "gearing_top_speed",
        value,
        "drivetrain.road_speed_mps",
        "the motor's speed constant Kv, a pack, the drive ratio and the rolling circumference",
        "The motor without load at the pack's nominal voltage, through the drive ratio.",
    )


def _range(machine: Machine, ride: Ride) -> Result:
    value = None
    if machine.pack and ride.consumption_wh_per_km:
        full_wh = machine.pack.energy_wh
        value = float(endurance.remaining_range_m(full_wh, full_wh, ride.reserve_fraction, ride.consumption_wh_per_km))
    return _result(
        "range",
        value,
        "endurance.remaining_range_m",
        "a pack, and a session with distance and energy",
        f"Nominal pack energy less a reserve of {100 * ride.reserve_fraction:.0f} %, at the energy per km so far.",
    )


def _unladen_factor(machine: Machine, ride: Ride) -> Result:
    height_m, track_m = machine.cg_height_m, machine.track_width_m
    value = float(stability.static_stability_factor(track_m, height_m)) if height_m and track_m else None
    return _result(
        "unladen_stability_factor",
        value,
        "stability.static_stability_factor",
        machine.balance.height.needs or "the track width",
        "Without rider; a rider raises the centre of gravity and lowers the factor.",
    )


def _height_with_rider(machine: Machine, ride: Ride) -> Result:
    both = machine.with_rider(ride.rider_kg)
    needs = machine.balance.needs_for_rider_height(ride.rider_kg)
    height_m = both.z_m if both else None
    return _result(
        "cg_height_with_rider", height_m, "stability.centre_of_gravity", needs, "The rider sits on the seat."
    )


def _factor(machine: Machine, ride: Ride) -> Result:
    both, track_m = machine.with_rider(ride.rider_kg), machine.track_width_m
    value = float(stability.static_stability_factor(track_m, both.z_m)) if both and track_m else None
    return _result(
        "static_stability_factor",
        value,
        "stability.static_stability_factor",
        machine.balance.needs_for_rider_height(ride.rider_kg) or "the track width",
        _besides_unplaced(machine, "Half the track width over the height of the centre of gravity, with rider."),
    )


BETWEEN = "a centre of gravity between the contacts"


def _besides_unplaced(machine: Machine, method: str) -> str:
    """With what parts without a place may still change; a measured height has them in it."""
    balance = machine.balance
    if not balance.unplaced_kg or balance.height.measured_on is not None:
        return method
    return f"{method} Without {written(abs(balance.unplaced_kg), 'mass', digits=2)} of which the place is not known."


def _threshold(machine: Machine, ride: Ride) -> Result:
    both = machine.with_rider(ride.rider_kg)
    track_m, wheelbase_m = machine.track_width_m, machine.wheelbase_m
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
    return _result(
        "tip_over_threshold",
        value,
        "stability.three_contact_threshold_g",
        needs,
        _besides_unplaced(machine, "Sideways on level ground, with rider."),
    )


def _fastest_turn(machine: Machine, ride: Ride) -> Result:
    """Where it grips enough to tip, by the threshold of three contacts, or else by the stability factor."""
    limit = _threshold(machine, ride) if machine.single_contact else _factor(machine, ride)
    speed_mps = None
    if limit.value is not None and limit.value > 0:
        # Grip as large as the threshold: the ground holds just until the machine tips.
        speed_mps = stability.fastest_turn(TURN_RADIUS_M, limit.value, limit.value).speed_mps
    needs = limit.needs[0] if limit.needs else BETWEEN
    method = _besides_unplaced(machine, "Level ground that grips, with rider; on ice most machines slide long before.")
    return _result("fastest_turn", speed_mps, "stability.fastest_turn", needs, method)


def _load(end: str) -> Callable[[Machine, Ride], Result]:
    def work(machine: Machine, ride: Ride) -> Result:
        both, wheelbase_m = machine.with_rider(ride.rider_kg), machine.wheelbase_m
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
        return _result(f"{end}_load", value, "stability.contact_loads", needs, "At rest on level ground.")

    return work


def _climbable_grade(machine: Machine, ride: Ride) -> Result:
    """As if the less loaded end drove: nothing stored says which end does."""
    front, rear = (_load(end)(machine, ride) for end in ("front", "rear"))
    grade = None
    if front.value is not None and rear.value is not None and min(front.value, rear.value) > 0:
        share = min(front.value, rear.value) / (front.value + rear.value)
        grade = traction.climbable_grade(traction.CAREFUL_FRICTION, share)
    return _result(
        "climbable_grade",
        grade,
        "traction.climbable_grade",
        front.needs[0] if front.needs else BETWEEN,
        f"At a grip of {traction.CAREFUL_FRICTION:g}, driven by the less loaded end; rubber on ice holds twice that.",
    )


_WORK: tuple[Callable[[Machine, Ride], Result], ...] = (
    _figure("mass", "mass"),
    _of_pack("full_voltage", "full_voltage_v"),
    _of_pack("nominal_voltage", "nominal_voltage_v"),
    _of_pack("capacity", "capacity_ah"),
    _of_pack("energy", "energy_wh"),
    *(_voltage_margin(category, name) for category, name in ELECTRONICS),
    _cut_off_margin,
    _current_margin,
    _c_rate,
    _top_speed,
    _range,
    _figure("forward", "cg_forward"),
    _figure("height", "cg_height"),
    _unladen_factor,
    _height_with_rider,
    _factor,
    _threshold,
    _fastest_turn,
    _climbable_grade,
    _load("front"),
    _load("rear"),
)
