"""What the form of a fitting says before it is saved."""

from __future__ import annotations

from buildlog.machines.machine import Machine
from buildlog.machines.models import Fitting
from buildlog.machines.queries import read_line
from buildlog.records.form_checks import Consequences, Row
from calc.quantities import written


def says_of_fitting(fitting: Fitting, system: str) -> Consequences:
    """What the machine weighs and holds with it, and the alarms of its voltages."""
    line = read_line(fitting.revision.vehicle)
    revision = next(revision for revision in line if revision.pk == fitting.revision_id)
    fittings = list(revision.fittings.all())
    machine = Machine(revision, fittings)
    consequences = Consequences()
    mass_kg = sum((fitted.part.mass_kg or 0.0) * fitted.quantity for fitted in fittings)
    lacking = sum(fitted.part.mass_kg is None for fitted in fittings)
    note = f"{lacking} of {len(fittings)} have no mass stated" if lacking else ""
    consequences.rows.append(Row(f"Parts of {revision.label}", written(mass_kg, "mass", system, None, 3), note))
    if machine.pack is not None:
        pack = machine.pack
        consequences.rows += [
            Row("Full pack", written(pack.full_voltage_v, "voltage", system, None, 3)),
            Row("Pack capacity", written(pack.capacity_ah, "charge", system, None, 3)),
        ]
    elif fitting.part.category == "battery_module":
        consequences.rows.append(Row("Pack", "not known", f"needs {machine.pack_needs}"))
    consequences.cautions = [f"{alarm.title} {alarm.sentence}" for alarm in machine.warnings]
    return consequences
