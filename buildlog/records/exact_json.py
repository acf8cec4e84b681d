"""Records as JSON that reads back exactly: the framework's own JSON drops the microseconds of a time.

Named in settings as the serialization format "exact"; the history of records is written in it.
"""

from __future__ import annotations

import datetime
from typing import Any

from django.core.serializers import json
from django.core.serializers.json import Deserializer as Deserializer
from django.core.serializers.json import DjangoJSONEncoder

FORMAT = "exact"


class _Encoder(DjangoJSONEncoder):
    def default(self, value: Any) -> Any:
        return value.isoformat() if isinstance(value, datetime.datetime | datetime.time) else super().default(value)


class Serializer(json.Serializer):
    def start_serialization(self) -> None:
        self.options["cls"] = _Encoder
        super().start_serialization()
