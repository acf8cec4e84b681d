"""Rules that many tables share."""

from __future__ import annotations

from django.db import models
from django.db.models import Q


def not_negative(prefix: str, *names: str) -> list[models.CheckConstraint]:
    return [
        models.CheckConstraint(
            condition=Q(**{f"{name}__isnull": True}) | Q(**{f"{name}__gte": 0}),
            name=f"{prefix}_{name}_not_negative",
        )
        for name in names
    ]
