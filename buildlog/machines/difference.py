"""The difference between two revisions."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from buildlog.machines.carry_over import GEOMETRY
from buildlog.machines.contacts import contact_name
from buildlog.machines.machine import Machine
from buildlog.machines.models import Fitting, Part, Revision
from buildlog.quantities.declared import quantities_of
from calc.quantities import written, written_change


@dataclass(frozen=True)
class Delta:
    label: str
    before: str
    after: str
    change: str


@dataclass(frozen=True)
class Difference:
    added: list[tuple[Part, int]]
    removed: list[tuple[Part, int]]
    changed: list[tuple[Part, list[str]]]
    numbers: list[Delta]


def difference(before: Machine, after: Machine, system: str = "metric") -> Difference:
    """Parts added, removed and changed, and what that does to mass, pack and geometry."""
    old, new = _by_part(before.fittings), _by_part(after.fittings)
    counts_old = Counter({part: sum(fitting.quantity for fitting in fittings) for part, fittings in old.items()})
    counts_new = Counter({part: sum(fitting.quantity for fitting in fittings) for part, fittings in new.items()})
    changed = [(part, notes) for part in new if part in old and (notes := _changes(old[part], new[part], system))]
    return Difference(
        added=[(part, count) for part, count in counts_new.items() if part not in old],
        removed=[(part, count) for part, count in counts_old.items() if part not in new],
        changed=changed,
        numbers=_numbers(before, after, system),
    )


def _by_part(fittings: list[Fitting]) -> dict[Part, list[Fitting]]:
    grouped: dict[Part, list[Fitting]] = {}
    for fitting in fittings:
        grouped.setdefault(fitting.part, []).append(fitting)
    return grouped


def _place(fitting: Fitting, system: str) -> str:
    parts = [f"{fitting.quantity} ×"]
    if fitting.x_m is not None:
        parts.append(f"x {written(fitting.x_m, 'length', system)}")
    if fitting.y_m is not None:
        parts.append(f"y {written(fitting.y_m, 'length', system)}")
    if fitting.z_m is not None:
        parts.append(f"z {written(fitting.z_m, 'length', system)}")
    if fitting.series is not None:
        parts.append(f"{fitting.series} in series × {fitting.parallel} in parallel")
    return ", ".join(parts)


def _changes(old: list[Fitting], new: list[Fitting], system: str) -> list[str]:
    before, after = ([_place(fitting, system) for fitting in fittings] for fittings in (old, new))
    return [] if sorted(before) == sorted(after) else [f"was {'; '.join(before)}", f"is {'; '.join(after)}"]


def _numbers(before: Machine, after: Machine, system: str) -> list[Delta]:
    rows: list[Delta] = []
    columns = {field.name: field for field in quantities_of(Revision)}
    weighed = any(machine.balance.mass.measured_on is not None for machine in (before, after))
    for label, kind, old, new in [
        ("Mass of the parts", "mass", before.balance.parts_mass_kg, after.balance.parts_mass_kg),
        *([("Mass without rider", "mass", before.mass_kg, after.mass_kg)] if weighed else []),
        ("Centre of gravity, height, without rider", "length", before.cg_height_m, after.cg_height_m),
        *[
            (
                columns[name].label,
                columns[name].kind,
                getattr(before.revision, name),
                getattr(after.revision, name),
            )
            for name in GEOMETRY
            if name in columns
        ],
        *[
            (label, kind, getattr(before.pack, name, None), getattr(after.pack, name, None))
            for label, kind, name in (
                ("Pack, full", "voltage", "full_voltage_v"),
                ("Pack, nominal", "voltage", "nominal_voltage_v"),
                ("Pack, empty", "voltage", "empty_voltage_v"),
                ("Pack capacity", "charge", "capacity_ah"),
                ("Pack energy", "energy", "energy_wh"),
            )
        ],
    ]:
        before_text, after_text = (
            "not known" if value is None else written(value, kind, system) for value in (old, new)
        )
        # Values that are written alike do not differ visibly.
        if before_text != after_text:
            change = "" if old is None or new is None else written_change(old, new, kind, system)
            rows.append(Delta(label, before_text, after_text, change))
    if before.revision.contacts != after.revision.contacts:
        rows.append(
            Delta(
                "Ground contacts",
                before.revision.get_contacts_display() or "not known",
                after.revision.get_contacts_display() or "not known",
                "",
            )
        )
    if before.contacts != after.contacts and (before.revision.contact_points or after.revision.contact_points):
        rows.append(
            Delta("Where it stands", _points(before, system) or "not known", _points(after, system) or "not known", "")
        )
    return rows


def _points(machine: Machine, system: str) -> str:
    return "; ".join(
        f"{contact_name(contact, machine.contacts).lower()} at {written(contact.x_m, 'length', system)}, "
        f"{written(contact.y_m, 'length', system)}"
        for contact in machine.contacts
    )
