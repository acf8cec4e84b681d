"""The reference data of the field page: everything it shows or computes without a network."""

from __future__ import annotations

import math
import statistics
from typing import Any

import numpy as np
from django.db.models import Count
from django.utils import timezone

from buildlog.failures.models import Failure, FailureMode
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision, Vehicle
from buildlog.machines.queries import revisions_with_parts
from buildlog.people.models import Account
from buildlog.people.roles import Right, has_right
from buildlog.quantities.declared import quantities_of
from buildlog.records.put_record import VERSION, entity_tag_of
from buildlog.storage.columns import label_of
from calc import ice
from calc.doubts.session_rules import SESSION
from calc.kinds import KINDS
from calc.quantities import in_shown_unit
from calc.session_facts import COLD_U_SHARE, PACK_U_FRACTION
from sessions.bench.models import TestCard
from sessions.bench.release import OpenPoint, points_to_ask
from sessions.bench.serializers import TestCardItemSerializer
from sessions.evidence.doubts import doubts_of_machine
from sessions.evidence.left_out import LeftOut
from sessions.evidence.reader import Evidence
from sessions.outings import queries
from sessions.outings.models import Assumptions, Gate, GoNoGoCheck, Pass, Reading, Session, Venue
from sessions.outings.serializers import GateSerializer, SessionSerializer, VenueSerializer

FORMAT = 1
"""Raised when a field page of the version before could no longer read this, or send to this server."""

SESSIONS_LOOKED_AT = 60
MOST_GOING = 20
"""So many sessions that have not ended are sent; nobody looks for another one in a longer list."""
SESSIONS_FOR_CONSUMPTION = 5


def greeting(account: Account) -> dict[str, Any]:
    """Who is signed in, and the server's time. A phone reads it before it sends anything."""
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
        "decimal_sign": account.decimal_sign,
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
        "going": _open_sessions(),
        "cards": _cards(),
        "ice": _ice(),
        "likely": {
            name: str(value) if name in ("revision", "venue") else value
            for name, value in queries.likely_start().items()
        },
        "last_time": _last_time(),
    }


def _ice() -> dict[str, Any]:
    """Guidelines and cautions, and from what thickness on a slip is likelier than such ice."""
    rule: Any = SESSION.rule("ice_thickness")
    return {
        "guidelines": [row._asdict() for row in ice.GUIDELINES],
        "cautions": list(ice.CAUTIONS),
        "most_cm": rule.high,
        "beyond": rule.above,
    }


def _last_time() -> dict[str, Any] | None:
    """Go/no-go check of the last session, and each condition as it was known last: taken over with one tap each.

    A session in which nobody wrote down the surface does not make those before it forgotten. The phone says how old
    the weather may be.
    """
    latest = Session.objects.filter(started_at__lte=timezone.now() + Session.STILL_GOING)
    sessions = list(latest.order_by("-started_at", "-pk").select_related("go_no_go")[:SESSIONS_LOOKED_AT])
    if not sessions:
        return None
    last = sessions[0]
    check = getattr(last, "go_no_go", None)
    names = ["surface", *(field.name for field in quantities_of(Session) if field.phone == "start")]
    known = {
        name: next((session for session in sessions if getattr(session, name) not in (None, "")), last)
        for name in names
    }
    return {
        "at": last.started_at,
        "venue": str(last.venue_id),
        "conditions": {name: getattr(session, name) for name, session in known.items()},
        "conditions_at": {name: session.started_at for name, session in known.items()},
        "ice_thickness_cm": last.ice_thickness_cm,
        "answers": {} if check is None else {name: getattr(check, name) for name in GoNoGoCheck.ITEMS},
        "machine_points": [] if check is None else check.machine_points,
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
    """The revisions that may be ridden, those with the status "riding" first."""
    revisions = revisions_with_parts().select_related("vehicle__assumptions").exclude(status=Revision.Status.RETIRED)
    order: list[str] = [Revision.Status.RIDING, Revision.Status.IN_BUILD, Revision.Status.PLANNED]
    listed = sorted(
        revisions, key=lambda revision: (order.index(revision.status), -revision.date.toordinal(), -revision.number)
    )
    consumptions = _consumptions()
    points = points_to_ask(listed)
    return [
        {
            "id": str(revision.pk),
            "name": str(revision),
            "vehicle": str(revision.vehicle_id),
            "status": revision.status,
            "pack": _pack(machine),
            "limits": _limits(machine),
            "points": _points(points[revision.pk]),
            "assumptions": _assumptions(revision),
            "consumption": consumptions.get(revision.pk) or consumptions.get(revision.vehicle_id),
        }
        for revision in listed
        for machine in [Machine(revision)]
    ]


ALWAYS_ASKED = (
    ("chain", "chain or belt tight, guarded, nothing loose"),
    ("steering", "steering free from stop to stop, no play"),
    ("brake", "brake tried"),
)
"""Asked of every machine, beside the kill switch (common practice, no source)."""


def _points(rows: list[OpenPoint]) -> list[dict[str, Any]]:
    """What the go/no-go check asks of this machine: always the same three, then its own points."""
    asked = [{"point": key, "label": label, "title": "", "sentence": "", "accepted": ""} for key, label in ALWAYS_ASKED]
    for row in rows:
        accepted = row.accepted
        asked.append(
            {
                "point": row.point.key,
                "label": f"{row.point.title} Mended, or accepted for this ride?",
                "title": row.point.title,
                "sentence": row.point.sentence,
                "accepted": f"{accepted.accepted_by}: {accepted.reason}" if accepted is not None else "",
            }
        )
    return asked


def _limits(machine: Machine) -> dict[str, Any]:
    """The limits against which the phone checks a voltage or temperature as it is typed."""
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
        "u_cold_share": COLD_U_SHARE,
        "nominal_voltage_v": pack.nominal_voltage_v,
        "curve": {"state_of_charge": list(pack.curve.state_of_charge), "voltage_v": list(pack.curve.voltage_v)},
    }


def _assumptions(revision: Revision) -> dict[str, float]:
    known = Assumptions.of(revision.vehicle)
    return {field.name: getattr(known, field.name) for field in Assumptions._meta.fields if not field.is_relation}


def _consumptions() -> dict[Any, dict[str, Any]]:
    """Energy per km to expect, by revision and by vehicle: the mean of its last sessions, and their spread.

    The highest mean speed of those rides goes with it: the phone assumes it while it has no position. Where a value
    is in doubt, the higher mean of with and without it is given, or none: it must not send anybody farther out.
    """
    latest = list(Session.objects.order_by("-started_at", "pk").values_list("pk", flat=True)[:SESSIONS_LOOKED_AT])
    vehicles = Vehicle.objects.filter(revisions__sessions__in=latest).distinct()
    consumptions: dict[Any, dict[str, Any]] = {}
    for vehicle in vehicles:
        evidence = Evidence(Session.objects.filter(pk__in=latest, revision__vehicle=vehicle))
        left_out = LeftOut(doubts_of_machine(vehicle, evidence))
        whole = _means(evidence)
        if not left_out.count:
            consumptions |= whole
            continue
        beyond = _means(evidence.without_doubtful(left_out))
        for key in whole.keys() & beyond.keys():
            higher = max(whole[key], beyond[key], key=lambda mean: float(mean["wh_per_km"]))
            speeds = [mean["speed_mps"] for mean in (whole[key], beyond[key]) if mean["speed_mps"]]
            consumptions[key] = higher | {"speed_mps": max(speeds, default=None)}
    return consumptions


def _means(evidence: Evidence) -> dict[Any, dict[str, Any]]:
    per_km, speeds = evidence.values("energy_per_distance"), evidence.values("average_speed")
    measured: dict[Any, list[tuple[float, float]]] = {}
    # NaN is not above 0: rides without a consumption are left out here.
    for row in reversed(np.flatnonzero(per_km > 0)):
        machine = evidence.machines[evidence.revision[row]]
        for key in (machine.revision.pk, machine.revision.vehicle_id):
            measured.setdefault(key, []).append((float(per_km[row]), float(np.nan_to_num(speeds[row]))))
    means = {}
    for key, rides in measured.items():
        last = [value for value, _ in rides[:SESSIONS_FOR_CONSUMPTION]]
        mean = statistics.fmean(last)
        # One session says nothing of the spread; then a fifth is taken (common practice, no source).
        spread = statistics.stdev(last) if len(last) > 1 else 0.2 * mean
        fastest = max(speed_mps for _, speed_mps in rides[:SESSIONS_FOR_CONSUMPTION])
        means[key] = {
            "wh_per_km": mean,
            "u_wh_per_km": spread,
            "sessions": len(last),
            "speed_mps": fastest or None,
        }
    return means


def _venues() -> list[dict[str, Any]]:
    return [
        {
            "id": str(venue.pk),
            "name": venue.name,
            "record": _without_version(VenueSerializer(venue).data),
            "gates": [
                {
                    "id": str(gate.pk),
                    "name": gate.name,
                    "u_distance_m": gate.u_distance_m,
                    "positions_m": gate.positions_m,
                    "record": _without_version(written),
                    "version": entity_tag_of(written),
                }
                for gate in venue.gates.all()
                if gate.length_m > 0
                for written in [GateSerializer(gate).data]
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


def _open_sessions() -> list[dict[str, Any]]:
    """Sessions that have not ended, which a second phone may join, the newest first.

    A clock that runs ahead puts a start some hours into the future; a start further ahead is a slip.
    """
    now = timezone.now()
    around_now = (now - Session.STILL_GOING, now + Session.STILL_GOING)
    sessions = (
        Session.objects.filter(ended_at__isnull=True, started_at__range=around_now)
        .select_related("revision__vehicle", "venue", "made_by")
        .annotate(pass_count=Count("passes"))
        .order_by("-started_at", "pk")[:MOST_GOING]
    )
    rows = []
    for session in sessions:
        written = SessionSerializer(session).data
        rows.append(
            {
                "session": _without_version(written),
                "version": entity_tag_of(written),
                "passes": session.pass_count,
                "by": session.made_by.username if session.made_by else "",
            }
        )
    return rows


def _cards() -> list[dict[str, Any]]:
    open_cards = TestCard.objects.filter(closed=False).select_related("revision").prefetch_related("items")
    cards = []
    for card in open_cards:
        items = [TestCardItemSerializer(item).data for item in card.items.all()]
        cards.append(
            {
                "id": str(card.pk),
                "vehicle": str(card.revision.vehicle_id),
                "revision": str(card.revision_id),
                "title": card.title,
                "limits": card.limits,
                "stops_the_day": card.stops_the_day,
                "items": [{"item": _without_version(item), "version": entity_tag_of(item)} for item in items],
            }
        )
    return cards


def _without_version(data: dict[str, Any]) -> dict[str, Any]:
    """The record without its version: a phone sends the version separately."""
    return {name: value for name, value in data.items() if name != VERSION}
