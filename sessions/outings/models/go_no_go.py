"""The go/no-go check before a session, and its answers."""

from __future__ import annotations

import uuid
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q

from buildlog.records.models import MadeRecord
from buildlog.storage.columns import label_of
from sessions.outings.models.outings import Session


class GoNoGoCheck(MadeRecord):
    """What was in place when a session started. A no does not stop the session; it is stored with the reason."""

    class Answer(models.TextChoices):
        YES = "yes", "Yes"
        NO = "no", "No"
        NOT_APPLICABLE = "not_applicable", "Does not apply here"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    session = models.OneToOneField(Session, on_delete=models.CASCADE, related_name="go_no_go")
    ice_measured = models.CharField("ice measured where you ride", max_length=14, choices=Answer.choices)
    second_person = models.CharField("second person here", max_length=14, choices=Answer.choices)
    helmet = models.CharField("helmet on", max_length=14, choices=Answer.choices)
    kill_switch = models.CharField("kill switch tried", max_length=14, choices=Answer.choices)
    battery_strapped = models.CharField("battery strapped down", max_length=14, choices=Answer.choices)
    rescue_gear = models.CharField("rescue gear at hand", max_length=14, choices=Answer.choices)
    machine_points = models.JSONField("points of this machine", default=list, blank=True)
    reason_to_go_on = models.TextField("why you went on all the same", blank=True, max_length=1000)

    ITEMS = ("ice_measured", "second_person", "helmet", "kill_switch", "battery_strapped", "rescue_gear")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(reason_to_go_on="")
                | ~(
                    Q(ice_measured="no")
                    | Q(second_person="no")
                    | Q(helmet="no")
                    | Q(kill_switch="no")
                    | Q(battery_strapped="no")
                    | Q(rescue_gear="no")
                ),
                name="go_no_go_no_has_a_reason",
                violation_error_message="Something was answered with no: say why you went on all the same, "
                "for example: short walk-pace trial on the shore.",
            ),
        ]

    def clean(self) -> None:
        self.machine_points = read_machine_points(self.machine_points)
        if not self.reason_to_go_on and any(row["answer"] == self.Answer.NO for row in self.machine_points):
            raise ValidationError(
                {"reason_to_go_on": "A point of the machine was answered with no: say why you went on."}
            )

    def __str__(self) -> str:
        missing = self.missing
        return f"Go, without: {', '.join(missing)}" if missing else "Go"

    @property
    def missing(self) -> list[str]:
        """What was answered with no, in words."""
        own = [row["label"] for row in self.machine_points if row["answer"] == self.Answer.NO]
        return [label_of(self, name) for name in self.ITEMS if getattr(self, name) == self.Answer.NO] + own


MOST_POINTS = 40


def read_machine_points(values: Any) -> list[dict[str, str]]:
    """Points of one machine with their answers, as they are stored. Raises ValidationError with a sentence."""
    example = '[{"point": "chain", "label": "chain tight and guarded", "answer": "yes"}]'
    refused = ValidationError({"machine_points": f"The points of the machine are a list such as {example}."})
    if not isinstance(values, list) or len(values) > MOST_POINTS:
        raise refused
    rows = []
    for row in values:
        if not isinstance(row, dict) or set(row) != {"point", "label", "answer"}:
            raise refused
        if not all(isinstance(text, str) and text for text in row.values()) or row["answer"] not in GoNoGoCheck.Answer:
            raise refused
        rows.append({"point": row["point"][:120], "label": row["label"][:300], "answer": row["answer"]})
    return rows
