"""The records of one machine that its archive holds, each kind after those it refers to."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.core.serializers.json import DjangoJSONEncoder
from django.db.models import Model, Q, QuerySet

from buildlog.failures.models import (
    Cause,
    Evidence,
    Failure,
    FailureChange,
    FailureMode,
    Modification,
    SignOff,
    Verification,
)
from buildlog.machines.balance_tests import BalanceTest
from buildlog.machines.confirmations import Confirmation
from buildlog.machines.individuals import Individual, IndividualFitting
from buildlog.machines.models import Fitting, Part, Revision, Vehicle
from buildlog.photos.models import Photo
from buildlog.upkeep.models import UpkeepCheck, UpkeepItem
from sessions.bench.models import TestCard, TestCardItem
from sessions.bench.release_models import AcceptedPoint, Release
from sessions.logs.models import FormulaChannel, Instrument, Log
from sessions.outings.models import (
    Assumptions,
    Gate,
    GateMark,
    GoNoGoCheck,
    MarkTap,
    Pass,
    Reading,
    Session,
    TrackPart,
    Venue,
    VoiceNote,
)
from sessions.trials.models import Trial

LEFT_OUT = {"account", "made_by", "confirmed_by", "signed_by", "invented", "created_at"}
"""Accounts stay private to an installation; the demo's marks are no part of a machine."""


class FullPrecision(DjangoJSONEncoder):
    """Times with microseconds: the framework cuts them to milliseconds, and a record must come back unchanged."""

    def default(self, o: Any) -> Any:
        return o.isoformat() if isinstance(o, datetime) else super().default(o)


def kind_of(model: type[Model]) -> str:
    return str(model._meta.model_name)


def columns_of(model: type[Model]) -> list[Any]:
    """The columns of a kind that the archive has, in its order."""
    columns = [column for column in model._meta.concrete_fields if column.name not in LEFT_OUT]
    return sorted(columns, key=lambda column: column.name == "made_at")  # the last column, after what it is about


def records_of(vehicle: Vehicle) -> dict[type[Model], QuerySet[Any]]:
    """Every record of a machine, each kind after those it refers to."""
    sessions = Session.objects.filter(revision__vehicle=vehicle)
    ridden_at = Venue.objects.filter(sessions__in=sessions).distinct()
    parts = Part.objects.filter(
        Q(fittings__revision__vehicle=vehicle)
        | Q(failures__revision__vehicle=vehicle)
        | Q(upkeep_items__vehicle=vehicle)
    ).distinct()
    own = Q(places__fitting__revision__vehicle=vehicle)
    pieces = Individual.objects.filter(own).distinct()
    upkeep = UpkeepItem.objects.filter(Q(vehicle=vehicle) | Q(individual__in=pieces))
    photos = Q(revision__vehicle=vehicle) | Q(session__in=sessions) | Q(failure__revision__vehicle=vehicle)
    return {
        Vehicle: Vehicle.objects.filter(pk=vehicle.pk),
        Assumptions: Assumptions.objects.filter(vehicle=vehicle),
        Part: parts,
        Revision: Revision.objects.filter(vehicle=vehicle).order_by("number"),
        Fitting: Fitting.objects.filter(revision__vehicle=vehicle),
        Individual: pieces,
        IndividualFitting: IndividualFitting.objects.filter(fitting__revision__vehicle=vehicle),
        UpkeepItem: upkeep,
        UpkeepCheck: UpkeepCheck.objects.filter(item__in=upkeep),
        BalanceTest: BalanceTest.objects.filter(revision__vehicle=vehicle),
        Venue: ridden_at,
        Gate: Gate.objects.filter(venue__in=ridden_at),
        GateMark: GateMark.objects.filter(gate__venue__in=ridden_at),
        Session: sessions.order_by("started_at", "pk"),
        Pass: Pass.objects.filter(session__in=sessions),
        Reading: Reading.objects.filter(session__in=sessions),
        GoNoGoCheck: GoNoGoCheck.objects.filter(session__in=sessions),
        TrackPart: TrackPart.objects.filter(session__in=sessions),
        MarkTap: MarkTap.objects.filter(session__in=sessions),
        VoiceNote: VoiceNote.objects.filter(session__in=sessions),
        FailureMode: FailureMode.objects.filter(
            Q(failures__revision__vehicle=vehicle) | Q(sign_offs__vehicle=vehicle)
        ).distinct(),
        Cause: Cause.objects.filter(vehicle=vehicle),
        Failure: Failure.objects.filter(revision__vehicle=vehicle).order_by("happened_at", "pk"),
        Modification: Modification.objects.filter(revision__vehicle=vehicle).prefetch_related("answers"),
        FailureChange: FailureChange.objects.filter(failure__revision__vehicle=vehicle),
        SignOff: SignOff.objects.filter(vehicle=vehicle),
        Instrument: Instrument.objects.filter(vehicle=vehicle),
        FormulaChannel: FormulaChannel.objects.filter(vehicle=vehicle),
        Log: Log.objects.filter(session__in=sessions),
        Trial: Trial.objects.filter(revision__vehicle=vehicle),
        TestCard: TestCard.objects.filter(revision__vehicle=vehicle),
        TestCardItem: TestCardItem.objects.filter(card__revision__vehicle=vehicle),
        AcceptedPoint: AcceptedPoint.objects.filter(revision__vehicle=vehicle),
        Release: Release.objects.filter(revision__vehicle=vehicle),
        Photo: Photo.objects.filter(photos | Q(part__in=parts)),
        Evidence: Evidence.objects.filter(cause__vehicle=vehicle),
        Verification: Verification.objects.filter(modification__revision__vehicle=vehicle),
        Confirmation: Confirmation.objects.filter(vehicle=vehicle),
    }
