"""The table of rules that a revision must pass before it is ridden: over its build, wiring, space, upkeep
and open failures.

An unknown raises no point: what is not known is listed with the limits. Nothing that passes is called safe.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, NamedTuple

from django.urls import reverse

from buildlog.failures.queries import OpenHazard
from buildlog.machines.individuals import IndividualFitting
from buildlog.machines.machine import ELECTRONICS, Machine
from buildlog.machines.models import Fitting
from buildlog.machines.space import NARROW_G, Space
from buildlog.machines.wiring import MOST_DROP, Wiring
from buildlog.machines.wiring_results import wiring_results
from buildlog.upkeep.due import Due
from calc.alarms import PASSED, Alarm
from calc.quantities import written
from calc.results import Result

IMPOSSIBLE, HAZARD, SERIOUS = "impossible", "hazard", "serious"
SEVERITIES = {
    IMPOSSIBLE: "Cannot be ridden or connected as it is",
    HAZARD: "Someone may be badly hurt",
    SERIOUS: "Damage or injury is likely sooner or later",
}
LOWER_THAN_PARENT = 0.10
"""A threshold that falls by more than this share against the parent's is said (common practice, no source)."""
NARROW_SHARE = 0.5
"""An end narrower than this share of the other is narrow (common practice, no source)."""
PAIR_CARRIES, SINGLE_CARRIES = 0.5, 2 / 3
"""A narrow pair should carry less than this share of the weight, a single contact, which is no mistake by itself,
less than that: with two thirds on it a third of the track's threshold is left (common practice, no source)."""


@dataclass(frozen=True)
class Subject:
    """One revision with all that the rules look at."""

    machine: Machine
    load_kg: float | None
    parent: Machine | None
    hazards: list[OpenHazard]
    upkeep: list[Due] = field(default_factory=list)
    misplaced: list[IndividualFitting] = field(default_factory=list)
    """Pieces that are on another machine that is ridden, too."""

    @cached_property
    def space(self) -> Space:
        return Space(self.machine, self.load_kg)

    @cached_property
    def parent_space(self) -> Space | None:
        return Space(self.parent, self.load_kg) if self.parent is not None else None

    @cached_property
    def wiring(self) -> Wiring:
        return Wiring(self.machine)

    @cached_property
    def wiring_results(self) -> dict[str, Result]:
        return {result.key: result for result in wiring_results(self.machine)}


class Finding(NamedTuple):
    """What a rule says of a subject; `about` tells points of one rule apart."""

    title: str
    sentence: str
    about: str = ""
    severity: str = ""


class Rule(NamedTuple):
    key: str
    area: str
    severity: str
    mend: str
    """What a person can do about it."""
    work: Callable[[Subject], Iterator[Finding]]


class Point(NamedTuple):
    """An open point of a revision before it is ridden."""

    key: str
    area: str
    severity: str
    title: str
    sentence: str
    mend: str
    page: str
    record: str
    """The page on which it is mended, by its name, and of which record."""

    @property
    def address(self) -> str:
        return reverse(self.page, args=[self.record])

    @property
    def severity_words(self) -> str:
        return SEVERITIES[self.severity]

    @property
    def needs_owner(self) -> bool:
        return self.severity in (IMPOSSIBLE, HAZARD)

    @property
    def for_one_outing(self) -> bool:
        return self.severity == HAZARD

    @property
    def settled_how(self) -> str:
        """Who may accept it instead of mending it."""
        if self.for_one_outing:
            return "Mend it, or an owner accepts it for one outing."
        return "Mend it, or an owner accepts it." if self.needs_owner else "Mend it, or accept it with a reason."


def points_of(subject: Subject) -> list[Point]:
    """Every open point, the worst first."""
    order = list(SEVERITIES)
    points = [
        Point(
            f"{rule.key}:{finding.about}" if finding.about else rule.key,
            rule.area,
            finding.severity or rule.severity,
            finding.title,
            finding.sentence,
            rule.mend,
            *_place(rule, subject, finding),
        )
        for rule in RULES
        for finding in rule.work(subject)
    ]
    return sorted(points, key=lambda point: order.index(point.severity))


def _place(rule: Rule, subject: Subject, finding: Finding) -> tuple[str, str]:
    """The page on which a point is mended, and of which record."""
    pages = {"Space": "revision_space", "Wiring": "revision_wiring"}
    if rule.area == "Failures":
        return "failure", finding.about
    if rule.area == "Upkeep":
        return "vehicle_upkeep", str(subject.machine.revision.vehicle_id)
    return pages.get(rule.area, "revision"), str(subject.machine.revision.pk)


def _of_alarm(alarm: Alarm | None, severity: str = "", about: str = "") -> Iterator[Finding]:
    if alarm is not None:
        yield Finding(alarm.title, alarm.sentence, about, severity)


def _voltage(category: str) -> Callable[[Subject], Iterator[Finding]]:
    def work(subject: Subject) -> Iterator[Finding]:
        margin = subject.machine.voltage_margin(category)
        alarm = margin.alarm if margin is not None else None
        yield from _of_alarm(alarm, IMPOSSIBLE if alarm is not None and alarm.word == PASSED else SERIOUS)

    return work


def _cut_off(subject: Subject) -> Iterator[Finding]:
    margin = subject.machine.cut_off_margin
    yield from _of_alarm(margin.alarm if margin is not None else None)


def _pack_current(subject: Subject) -> Iterator[Finding]:
    limits, facts = subject.machine.limits("speed_controller"), subject.machine.pack
    controller_a = limits.continuous_current_a if limits else None
    pack_a = facts.continuous_current_a if facts else None
    if controller_a and pack_a and controller_a > pack_a:
        yield Finding(
            "The controller may draw more than the pack may give.",
            f"The controller carries {written(controller_a, 'current')} continuously, the pack "
            f"{written(pack_a, 'current')}: limit the controller, or the pack overheats.",
        )


def _wired(key: str) -> Callable[[Subject], Iterator[Finding]]:
    def work(subject: Subject) -> Iterator[Finding]:
        yield from _of_alarm(subject.wiring_results[key].alarm)

    return work


def _unguarded(subject: Subject) -> Iterator[Finding]:
    for cable in subject.wiring.unguarded:
        yield Finding(
            "A cable has no fuse.",
            f"{cable.fitting.part.name} ({_branch(cable.branch)}) is fitted, and no fuse in its branch. A short "
            "circuit there is fed by the whole pack.",
            str(cable.fitting.pk),
        )


def _short_circuit(subject: Subject) -> Iterator[Finding]:
    for fuse in subject.wiring.fuses:
        if fuse.guards_short_circuit is False:
            opens = f"opens within {written(fuse.blows_within_s or 0.0, 'duration', digits=2)}"
            if math.isinf(fuse.blows_within_s or 0.0):
                opens = "need not open at all"
            yield Finding(
                "The fuse is slower than its cable.",
                f"At a short circuit of {written(fuse.short_circuit_a or 0.0, 'current')} the fuse "
                f"{fuse.fitting.part.name} {opens}; its cable stands it for "
                f"{written(fuse.cable_stands_s or 0.0, 'duration', digits=2)}.",
                str(fuse.fitting.pk),
            )


def _overloaded(subject: Subject) -> Iterator[Finding]:
    for fitting, kind, there_is, may_be in subject.wiring.overloaded():
        yield Finding(
            f"{fitting.part.get_category_display()}: more {kind} than it may have.",
            f"{fitting.part.name} is made for {written(may_be, kind)}; there are {written(there_is, kind)}.",
            f"{fitting.pk}:{kind}",
        )


def _drop(subject: Subject) -> Iterator[Finding]:
    drop, facts = subject.wiring_results["cable_voltage_drop"].value, subject.machine.pack
    if drop is not None and facts is not None and drop > MOST_DROP * facts.nominal_voltage_v:
        yield Finding(
            "Much of the voltage stays in the cables.",
            f"{written(drop, 'voltage')} of {written(facts.nominal_voltage_v, 'voltage')} at the controller's "
            "continuous current; that heat is in the cables and connectors.",
        )


def _falls_over(subject: Subject) -> Iterator[Finding]:
    if subject.space.falls_over:
        yield Finding(
            "It falls over standing.",
            "Its centre of gravity with rider lies outside of its ground contacts, as they are entered.",
        )


def _tips_early(subject: Subject) -> Iterator[Finding]:
    space = subject.space
    if not space.needs and space.is_narrow:
        worst = ", with the parts that have no place at their worst" if space.unplaced_words else ""
        yield Finding(
            "It tips early.",
            f"With {written(space.load_kg or 0.0, 'mass', digits=3)} on the seat it tips sideways at "
            f"{space.careful_sideways_g:.2f} g on even ground{worst}; below {NARROW_G:g} g it tips before tyres on "
            "dry ground slide, and at an edge in the ice.",
        )


def _lower_than_parent(subject: Subject) -> Iterator[Finding]:
    space, before = subject.space, subject.parent_space
    if before is None or space.needs or before.needs:
        return
    if space.sideways_g < (1 - LOWER_THAN_PARENT) * before.sideways_g:
        parent = before.machine.revision.label
        lifted = "; ".join(_lifted(subject)) or "contacts or masses changed"
        yield Finding(
            f"It tips earlier than {parent}.",
            f"Sideways at {space.sideways_g:.2f} g, {parent} at {before.sideways_g:.2f} g with the same rider: "
            f"{lifted}.",
        )


def _lifted(subject: Subject) -> Iterator[str]:
    """Parts that sit higher than on the parent, in words."""
    assert subject.parent is not None
    heights: dict[Any, float] = {}
    for fitting in subject.parent.fittings:
        if fitting.z_m is not None:
            heights[fitting.part_id] = max(fitting.z_m, heights.get(fitting.part_id, fitting.z_m))
    for fitting in subject.machine.fittings:
        before_m = heights.get(fitting.part_id)
        if before_m is not None and fitting.z_m is not None and fitting.z_m > before_m + 1e-6:
            yield f"{fitting.part.name} is {written(fitting.z_m - before_m, 'length', digits=2)} higher"


def _narrow_end(subject: Subject) -> Iterator[Finding]:
    space = subject.space
    if space.needs:
        return
    middle = (min(x for x, _ in space.points) + max(x for x, _ in space.points)) / 2
    ends = {
        "front": [load for load in space.loads if load.contact.x_m > middle],
        "rear": [load for load in space.loads if load.contact.x_m <= middle],
    }
    widths = {
        name: max(load.contact.y_m for load in loads) - min(load.contact.y_m for load in loads)
        for name, loads in ends.items()
        if loads
    }
    for name, width_m in widths.items():
        share = sum(load.share for load in ends[name])
        most = PAIR_CARRIES if width_m > 0 else SINGLE_CARRIES
        if width_m < NARROW_SHARE * max(widths.values()) and share >= most:
            yield Finding(
                f"Most of its weight is on its narrow {name}.",
                f"The {name} contacts stand {written(width_m, 'length', digits=2)} apart and carry {100 * share:.0f} % "
                f"of the weight; the other end stands {written(max(widths.values()), 'length', digits=2)} apart. It "
                f"tips towards the narrow end at {space.sideways_g:.2f} g sideways.",
                name,
            )


def _failures(subject: Subject) -> Iterator[Finding]:
    for hazard, has_fix in subject.hazards:
        what = f"{hazard.mode} on {hazard.revision}, category {hazard.category}"
        if has_fix:
            yield Finding(
                f"Its fix is not shown to hold: {hazard.mode}.",
                f"{what}: this revision has the fix, and nothing shows yet that it holds. Inspect it before and after "
                "riding.",
                str(hazard.key),
                SERIOUS,
            )
        else:
            yield Finding(
                f"Open failure of category {hazard.category}: {hazard.mode}.",
                f"{what}: no fix of it is fitted to this revision.",
                str(hazard.key),
            )


def _upkeep(subject: Subject) -> Iterator[Finding]:
    for row in subject.upkeep:
        if row.is_due:
            kind = "Torque mark to be checked" if row.item.torque_nm else "Upkeep is due"
            yield Finding(f"{kind}: {row.item.title}.", row.sentence(), str(row.item.pk))


def _on_two_machines(subject: Subject) -> Iterator[Finding]:
    for place in subject.misplaced:
        yield Finding(
            f"On another machine: {place.individual}.",
            f"It is on {place.fitting.revision}, which is ridden, from {place.from_day:%Y-%m-%d} on. One piece is "
            "never on two machines on one day: say when it was removed there.",
            str(place.individual_id),
        )


def _branch(branch: str) -> str:
    return str(Fitting.Branch(branch).label).lower()


_VOLTS = "Take modules away, or fit a controller or motor for more voltage."
_CHAIN = "Change the part that is too small, or the load."
_CURRENT = "Limit the controller's current, or fit a motor for more."
_STAND = "Move weight down or between the contacts, or set the contacts wider."
RULES = (
    Rule("pack_over_controller", "Build", IMPOSSIBLE, _VOLTS, _voltage(ELECTRONICS[0][0])),
    Rule("pack_over_motor", "Build", IMPOSSIBLE, _VOLTS, _voltage(ELECTRONICS[1][0])),
    Rule("cut_off_over_pack", "Build", IMPOSSIBLE, "Set the cut-off below the empty pack, or add modules.", _cut_off),
    Rule("pack_current", "Build", SERIOUS, "Limit the controller's current.", _pack_current),
    Rule("charger", "Wiring", IMPOSSIBLE, "Use a charger made for this pack.", _wired("charger_margin")),
    Rule("regeneration", "Wiring", SERIOUS, "Charge less full, or brake less.", _wired("regeneration_margin")),
    Rule("cable_under_fuse", "Wiring", SERIOUS, "A thicker cable or a smaller fuse.", _wired("fuse_under_cable")),
    Rule("cable_overloaded", "Wiring", SERIOUS, _CHAIN, _wired("cable_current_margin")),
    Rule("fuse_under_load", "Wiring", SERIOUS, _CHAIN, _wired("fuse_over_load")),
    Rule("fuse_overload", "Wiring", SERIOUS, "A smaller fuse or a thicker cable.", _wired("fuse_overload_margin")),
    Rule("fuse_breaking", "Wiring", SERIOUS, "A fuse that breaks more at d.c.", _wired("fuse_breaking_margin")),
    Rule("unguarded_cable", "Wiring", SERIOUS, "Fit a fuse at the pack.", _unguarded),
    Rule("short_circuit", "Wiring", SERIOUS, "A faster fuse or a thicker cable.", _short_circuit),
    Rule("overloaded_part", "Wiring", SERIOUS, _CHAIN, _overloaded),
    Rule("voltage_drop", "Wiring", SERIOUS, "A thicker or shorter cable.", _drop),
    Rule("sag", "Wiring", SERIOUS, "Less peak current, or more modules in parallel.", _wired("sag_margin")),
    Rule("motor_speed", "Wiring", SERIOUS, "Fewer volts, or limit its speed.", _wired("motor_speed_margin")),
    Rule("motor_peak_power", "Wiring", SERIOUS, _CURRENT, _wired("motor_power_margin")),
    Rule("motor_peak_current", "Wiring", SERIOUS, _CURRENT, _wired("motor_peak_current_margin")),
    Rule("motor_continuous", "Wiring", SERIOUS, _CURRENT, _wired("motor_continuous_margin")),
    Rule(
        "motor_peak_time",
        "Wiring",
        SERIOUS,
        "Let the controller hold its peak for less.",
        _wired("motor_peak_time_margin"),
    ),
    Rule("falls_over", "Space", IMPOSSIBLE, _STAND, _falls_over),
    Rule("tips_early", "Space", SERIOUS, _STAND, _tips_early),
    Rule("tips_earlier", "Space", SERIOUS, _STAND, _lower_than_parent),
    Rule("narrow_end", "Space", SERIOUS, _STAND, _narrow_end),
    Rule("upkeep_due", "Upkeep", SERIOUS, "Do it, and write it down.", _upkeep),
    Rule("piece_elsewhere", "Upkeep", SERIOUS, "Say when it was removed there.", _on_two_machines),
    Rule("open_failure", "Failures", HAZARD, "Fit a fix, and show that it holds.", _failures),
)
