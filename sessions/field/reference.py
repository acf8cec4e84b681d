"""What a phone takes along to the lake: everything the field page shows or computes without a network."""

from __future__ import annotations

import math
import statistics
from typing import Any

from django.db.models import Count
from django.utils import timezone

from buildlog.failures.models import Failure, FailureMode
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision
from buildlog.machines.queries import revisions_with_parts
from buildlog.people.models import Account
from buildlog.people.roles import Right, has_right
from buildlog.quantities.declared import quantities_of
from buildlog.records.put_record import VERSION, entity_tag_of
from buildlog.storage.columns import label_of
from calc import ice
from calc.quantities import KINDS, in_shown_unit
from calc.session_facts import PACK_U_FRACTION
from sessions.bench.models import TestCard
from sessions.bench.serializers import TestCardItemSerializer
from sessions.evidence.session_results import reports_for
from sessions.logs.queries import sessions_with_evidence
from sessions.outings import queries
from sessions.outings.models import Assumptions, Gate, GoNoGoCheck, Pass, Reading, Session, Venue
from sessions.outings.serializers import GateSerializer, SessionSerializer, VenueSerializer

FORMAT = 1
"""Goes up when a field page of the version before could no longer read this, or send to this server."""

SESSIONS_LOOKED_AT = 60
SESSIONS_FOR_CONSUMPTION = 5


def greeting(account: Account) -> dict[str, Any]:
    """Who is signed in, and what time it is: asked before anything is sent."""
    return {
        "format": FORMAT,
        "server_time": timezone.now(),
        "account": {"id": str(account.pk), "name": account.username, "may_log": has_right(account, Right.LOG)},
    }


def reference(account: Account) -> dict[str, Any]:
    """The greeting, and all that the field page needs offline, in a fixed number of queries."""
    system = account.unit_system
    return greeting(account) | {
        "unit_system": system,
        "units": {name: _unit(name, system) for name in KINDS},
        "fields": {
            "sessions": _quantities(Session),
            "passes": _quantities(Pass),
            "readings": _quantities(Reading),
            "gates": _quantities(Gate),
        },
        "revisions": _revisions(),
        "venues": _venues(),
        "modes": _modes(),
        "severities": [list(choice) for choice in Failure.Severity.choices],
        "effects": [list(choice) for choice in Failure.Effect.choices],
        "surfaces": [list(choice) for choice in Session.Surface.choices],
        "check_items": [[name, label_of(GoNoGoCheck, name)] for name in GoNoGoCheck.ITEMS],
        "going": _going(),
        "cards": _cards(),
        "ice": {"guidelines": [row._asdict() for row in ice.GUIDELINES], "cautions": list(ice.CAUTIONS)},
        "likely": {
            name: str(value) if name in ("revision", "venue") else value
            for name, value in queries.likely_start().items()
        },
    }


def _unit(kind: str, system: str) -> dict[str, Any]:
    """How a stored number is shown: shown = stored × factor + offset."""
    offset = in_shown_unit(0.0, kind, system)
    return {
        "label": KINDS[kind].shown_in(system).label,
        "factor": in_shown_unit(1.0, kind, system) - offset,
        "offset": offset,
        "example": KINDS[kind].example,
    }


def _quantities(model: type) -> list[dict[str, Any]]:
    return [
        {
            "name": field.name,
            "label": str(field.verbose_name),
            "kind": field.kind,
            "low": field.low if math.isfinite(field.low) else None,
            "includes_low": field.includes_low,
            "high": field.high if math.isfinite(field.high) else None,
            "phone": field.phone,
        }
        for field in quantities_of(model)
    ]


def _revisions() -> list[dict[str, Any]]:
    """What may be ridden next, the machines that ride now first."""
    found = revisions_with_parts().select_related("vehicle__assumptions").exclude(status=Revision.Status.RETIRED)
    order: list[str] = [Revision.Status.RIDING, Revision.Status.IN_BUILD, Revision.Status.PLANNED]
    listed = sorted(found, key=lambda one: (order.index(one.status), -one.date.toordinal(), -one.number))
    consumptions = _consumptions()
    return [
        {
            "id": str(one.pk),
            "name": str(one),
            "vehicle": str(one.vehicle_id),
            "status": one.status,
            "pack": _pack(machine),
            "limits": _limits(machine),
            "assumptions": _assumptions(one),
            "consumption": consumptions.get(one.pk) or consumptions.get(one.vehicle_id),
        }
        for one in listed
        for machine in [Machine(one)]
    ]


def _limits(machine: Machine) -> dict[str, Any]:
    """What the phone holds a voltage or temperature against, the moment it is typed."""
    controller, motor, pack = machine.limits("speed_controller"), machine.limits("motor"), machine.pack
    owners = (("controller", controller), ("motor", motor))
    return {
        "highest_voltage_v": [
            [whose, limits.highest_voltage_v]
            for whose, limits in owners
            if limits is not None and limits.highest_voltage_v is not None
        ],
        "cut_off_v": controller.lowest_voltage_v if controller is not None else None,
        "highest_temperature_c": [
            [whose, limits.highest_temperature_c]
            for whose, limits in (("battery", pack), *owners)
            if limits is not None and limits.highest_temperature_c is not None
        ],
        "lowest_battery_temperature_c": pack.lowest_temperature_c if pack is not None else None,
    }


def _pack(machine: Machine) -> dict[str, Any] | None:
    pack = machine.pack
    if pack is None or pack.curve is None:
        return None
    return {
        "energy_wh": pack.energy_wh,
        "u_energy_wh": PACK_U_FRACTION * pack.energy_wh,
        "nominal_voltage_v": pack.nominal_voltage_v,
        "curve": {"state_of_charge": list(pack.curve.state_of_charge), "voltage_v": list(pack.curve.voltage_v)},
    }


def _assumptions(revision: Revision) -> dict[str, float]:
    known = Assumptions.of(revision.vehicle)
    return {field.name: getattr(known, field.name) for field in Assumptions._meta.fields if not field.is_relation}


def _consumptions() -> dict[Any, dict[str, Any]]:
    """Energy per km to expect, by revision and by vehicle: the mean of its last sessions, and their spread.

    With it goes the highest mean speed of those rides, at which a phone counts what it does not see.
    """
    latest = list(sessions_with_evidence().order_by("-started_at", "pk")[:SESSIONS_LOOKED_AT])
    measured: dict[Any, list[tuple[float, float]]] = {}
    for session, report in zip(latest, reports_for(latest).values(), strict=True):
        result, speed = report.get("energy_per_distance"), report.get("average_speed")
        if result is not None and result.value > 0:
            for key in (session.revision_id, session.revision.vehicle_id):
                measured.setdefault(key, []).append((result.value, speed.value if speed else 0.0))
    found = {}
    for key, rides in measured.items():
        last = [value for value, _ in rides[:SESSIONS_FOR_CONSUMPTION]]
        mean = statistics.fmean(last)
        # One session says nothing of the spread; then a fifth is taken (common practice, no source).
        spread = statistics.stdev(last) if len(last) > 1 else 0.2 * mean
        fastest = max(speed_mps for _, speed_mps in rides[:SESSIONS_FOR_CONSUMPTION])
        found[key] = {"wh_per_km": mean, "u_wh_per_km": spread, "sessions": len(last), "speed_mps": fastest or None}
    return found


def _venues() -> list[dict[str, Any]]:
    return [
        {
            "id": str(venue.pk),
            "name": venue.name,
            "record": _bare(VenueSerializer(venue).data),
            "gates": [
                {
                    "id": str(gate.pk),
                    "name": gate.name,
                    "u_distance_m": gate.u_distance_m,
                    "positions_m": gate.positions_m,
                    "record": _bare(GateSerializer(gate).data),
                }
                for gate in venue.gates.all()
                if gate.length_m > 0
            ],
        }
        for venue in Venue.objects.prefetch_related("gates__marks")
    ]


def _modes() -> list[dict[str, Any]]:
    """Known failure modes, with how often each machine had them."""
    counts: dict[Any, dict[str, int]] = {}
    for row in Failure.objects.values("mode", "revision__vehicle").annotate(count=Count("pk")).order_by():
        counts.setdefault(row["mode"], {})[str(row["revision__vehicle"])] = row["count"]
    return [
        {"id": str(mode.pk), "name": mode.name, "counts": counts.get(mode.pk, {})} for mode in FailureMode.objects.all()
    ]


def _going() -> list[dict[str, Any]]:
    """Sessions that have not ended, which a second phone may join."""
    found = (
        Session.objects.filter(ended_at__isnull=True, started_at__gt=timezone.now() - Session.STILL_GOING)
        .select_related("revision__vehicle", "venue")
        .annotate(pass_count=Count("passes"))
        .order_by("-started_at", "pk")
    )
    rows = []
    for session in found:
        written = SessionSerializer(session).data
        rows.append({"session": _bare(written), "version": entity_tag_of(written), "passes": session.pass_count})
    return rows


def _cards() -> list[dict[str, Any]]:
    found = TestCard.objects.filter(closed=False).select_related("revision").prefetch_related("items")
    cards = []
    for card in found:
        items = [TestCardItemSerializer(item).data for item in card.items.all()]
        cards.append(
            {
                "id": str(card.pk),
                "vehicle": str(card.revision.vehicle_id),
                "revision": str(card.revision_id),
                "title": card.title,
                "limits": card.limits,
                "stops_the_day": card.stops_the_day,
                "items": [{"item": _bare(item), "version": entity_tag_of(item)} for item in items],
            }
        )
    return cards


def _bare(written: dict[str, Any]) -> dict[str, Any]:
    """The content alone: a phone sends it back, later with another version."""
    return {name: value for name, value in written.items() if name != VERSION}
