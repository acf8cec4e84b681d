"""Parsing of request bodies sent to the API."""

from __future__ import annotations

from typing import Any

from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser


class ShallowJSON(JSONParser):
    """Refuses JSON that is nested too deeply for Python's parser in a sentence."""

    def parse(self, *args: Any, **more: Any) -> Any:
        try:
            return super().parse(*args, **more)
        except RecursionError:
            raise ParseError("Lists and objects are nested too deeply.") from None
