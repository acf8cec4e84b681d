"""Responses that serve a stored file: saved or shown, it can run nothing in the browser."""

from __future__ import annotations

from typing import Any

from django.http import FileResponse

# If a browser opens a stored file as a page after all, it may run, load and send nothing.
FILE_POLICY = "default-src 'none'; sandbox; frame-ancestors 'none'"


def attachment(file: Any, *, filename: str, content_type: str = "application/octet-stream") -> FileResponse:
    """A file that is saved, never shown."""
    response = FileResponse(file, as_attachment=True, filename=filename, content_type=content_type)
    response["Content-Security-Policy"] = FILE_POLICY
    return response
