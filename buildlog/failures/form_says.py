"""What the form of a failure says before it is saved: whether it came before, and what its severity asks for."""

from __future__ import annotations

from buildlog.failures.models import Failure
from buildlog.records.form_checks import Consequences, Row
from calc.failure_facts import HURTS

_LISTED = 3


def says_of_failure(failure: Failure, _system: str) -> Consequences:
    """The failures of the same mode on this machine, and for what can hurt somebody, that it stops a release."""
    rows = Failure.objects.filter(mode=failure.mode, revision__vehicle=failure.revision.vehicle_id)
    earlier = list(rows.exclude(pk=failure.pk).select_related("revision__vehicle").order_by("-happened_at", "-pk"))
    consequences = Consequences()
    if earlier:
        named = ", ".join(f"{other.revision.label} on {other.happened_at:%Y-%m-%d}" for other in earlier[:_LISTED])
        more = f" and {len(earlier) - _LISTED} more" if len(earlier) > _LISTED else ""
        consequences.rows.append(
            Row(
                f"{failure.mode.name} before",
                "once" if len(earlier) == 1 else f"{len(earlier)} times",
                f"{named}{more}",
            )
        )
        if any(other.severity != failure.severity for other in earlier):
            severities = ", ".join(sorted({other.severity_numeral for other in earlier}))
            consequences.rows.append(Row("Severity before", severities))
    else:
        consequences.rows.append(Row(f"{failure.mode.name} before", "never on this machine"))
    if failure.severity in HURTS:
        consequences.cautions.append(
            "Severity I and II can hurt somebody. Until it is mended and shown to hold, no revision goes to riding "
            "without an owner's word, and it is never provoked on purpose."
        )
    return consequences
