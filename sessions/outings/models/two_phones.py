"""Passes timed by two phones, one at each end of a gate."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from typing import Any

from django.db import models, transaction
from django.db.models import Q

from buildlog.quantities.fields import QuantityField
from buildlog.records import history
from buildlog.records.models import MadeRecord, RemovedRecord
from calc.two_clocks import pairs_of_marks, two_clock_duration
from sessions.outings.models.outings import Pass, Session
from sessions.outings.models.places import Gate

NAMESPACE = uuid.UUID("b7b7c6c8-6a0e-4a43-9d0e-6f1f5f0c54b1")
"""Of the keys of passes that are made from marks, so that each pair makes one pass however often it is asked for."""
PAIRED_ELSE = "Its marks pair differently since a mark was added, changed or deleted."


class MarkTap(MadeRecord):
    """The moment in which the machine passed one end of a gate, as the phone that stands there saw it.

    `at` is by the server's clock, to which the phone's was compared; `u_s` is its standard uncertainty, the clocks'
    and the thumb's.
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    session = models.ForeignKey(Session, on_delete=models.CASCADE, related_name="mark_taps")
    gate = models.ForeignKey(Gate, on_delete=models.PROTECT, related_name="mark_taps")
    at_last_mark = models.BooleanField("at the gate's last mark")
    at = models.DateTimeField("moment, by the server's clock")
    u_s = QuantityField("standard uncertainty of the moment", kind="duration", high=3600)
    valid = models.BooleanField("counts", default=True)
    invalid_reason = models.CharField("why it does not count", max_length=200, blank=True)

    class Meta:
        ordering = ["session_id", "at", "id"]
        verbose_name = "mark"
        constraints = [
            models.CheckConstraint(
                condition=Q(valid=True) | ~Q(invalid_reason=""),
                name="mark_that_does_not_count_says_why",
                violation_error_message="Say why this mark does not count, for example: tapped too late.",
            ),
        ]

    def __str__(self) -> str:
        return f"{'Last' if self.at_last_mark else 'First'} mark at {self.at:%H:%M:%S}"

    def get_absolute_url(self) -> str:
        return self.session.get_absolute_url()

    @property
    def twice_u_s(self) -> float:
        return 2.0 * self.u_s

    def save(self, *args: Any, **kwargs: Any) -> None:
        before = type(self).objects.filter(pk=self.pk).values_list("session_id", "gate_id").first()
        with transaction.atomic():
            super().save(*args, **kwargs)
            pair_marks(self.session_id, [self.gate_id])
            if before is not None and before != (self.session_id, self.gate_id):
                pair_marks(before[0], [before[1]])

    def delete(self, *args: Any, **kwargs: Any) -> tuple[int, dict[str, int]]:
        with transaction.atomic():
            removed = super().delete(*args, **kwargs)
            pair_marks(self.session_id, [self.gate_id])
        return removed


def unpaired_marks(session: Session) -> list[MarkTap]:
    """The marks of a session that count and are in no pass, in their order; one query, and one for the gates."""
    taps: dict[uuid.UUID, list[MarkTap]] = {}
    for tap in session.mark_taps.filter(valid=True).select_related("gate").prefetch_related("gate__marks"):
        taps.setdefault(tap.gate_id, []).append(tap)
    alone = []
    for own in taps.values():
        paired = {place for pair in _pairs(own, own[0].gate) for place in pair}
        alone += [tap for place, tap in enumerate(own) if place not in paired]
    return sorted(alone, key=lambda tap: tap.at)


def _pairs(taps: list[MarkTap], gate: Gate) -> list[tuple[int, int]]:
    if not gate.length_m:
        return []
    return pairs_of_marks([tap.at.timestamp() for tap in taps], [tap.at_last_mark for tap in taps], gate.length_m)


def pair_marks(session_id: uuid.UUID, gate_ids: Iterable[uuid.UUID]) -> None:
    """Make the passes of the marks that are here, and let those not count whose marks pair differently now.

    A pass that was removed on purpose is not made again.
    """
    with transaction.atomic():
        # Two marks that come at one moment must not both be the first.
        session = Session.objects.select_for_update(no_key=True).filter(pk=session_id).first()
        if session is None:
            return
        for gate in Gate.objects.prefetch_related("marks").filter(pk__in=set(gate_ids)):
            _pair(session, gate)


def _pair(session: Session, gate: Gate) -> None:
    taps = list(MarkTap.objects.filter(session=session, gate=gate, valid=True).order_by("at", "id"))
    wanted: dict[uuid.UUID, dict[str, Any]] = {}
    for earlier, later in _pairs(taps, gate):
        first, second = taps[earlier], taps[later]
        measured = two_clock_duration(
            first_s=0.0, second_s=(second.at - first.at).total_seconds(), u_first_s=first.u_s, u_second_s=second.u_s
        )
        into_s = max(0.0, (first.at - session.started_at).total_seconds())
        wanted[uuid.uuid5(NAMESPACE, f"{first.pk} {second.pk}")] = {
            "direction": Pass.Direction.BACK if first.at_last_mark else Pass.Direction.OUT,
            "duration_s": float(measured.value),
            "u_duration_s": float(measured.u),
            "time_into_session_s": into_s,
            "sequence": round(1000 * into_s),
        }
    made = Pass.objects.filter(session=session, gate=gate, method=Pass.Method.TWO_PHONES).in_bulk()
    for key, timed in made.items():
        changes = wanted.get(key, {"valid": False, "invalid_reason": timed.invalid_reason or PAIRED_ELSE})
        if key in wanted and timed.invalid_reason == PAIRED_ELSE:
            changes = changes | {"valid": True, "invalid_reason": ""}
        if any(getattr(timed, name) != value for name, value in changes.items()):
            with history.changing(timed) as change:
                change.fields = [name for name, value in changes.items() if getattr(timed, name) != value]
                for name, value in changes.items():
                    setattr(timed, name, value)
                timed.save()
    removed = set(RemovedRecord.objects.filter(pk__in=wanted.keys() - made.keys()).values_list("pk", flat=True))
    for key, values in wanted.items():
        if key not in made and key not in removed:
            Pass.objects.create(pk=key, session=session, gate=gate, method=Pass.Method.TWO_PHONES, **values)
