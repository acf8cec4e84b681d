"""How what is sent to the API is read."""

from __future__ import annotations

from typing import Any

from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser


class ShallowJSON(JSONParser):
    """JSON of any depth is refused in a sentence, where Python's own reader gives up in the middle."""

    def parse(self, *args: Any, **more: Any) -> Any:
        try:
            return super().parse(*args, **more)
        except RecursionError:
            raise ParseError("Lists and objects stand too deep within each other.") from None
