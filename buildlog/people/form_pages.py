"""Pages that show a form and take it back."""

from __future__ import annotations

from django.views.decorators.http import require_http_methods

form_page = require_http_methods(["GET", "HEAD", "POST"])
"""A page that shows a form on GET and takes it on POST; any other method is refused with 405."""
