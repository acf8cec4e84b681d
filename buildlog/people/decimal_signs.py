"""Every page in the decimal sign of whoever reads it."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

from buildlog.quantities.decimal_sign import POINT, chosen, page_in_chosen_sign


class DecimalSigns:
    """Middleware. Place after AuthenticationMiddleware. What /api/ answers, and files, keep their points."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if request.path_info.startswith("/api/") or not request.user.is_authenticated:
            return self.get_response(request)
        token = chosen.set(request.user.decimal_sign)
        try:
            response = self.get_response(request)
            is_page = response.headers.get("Content-Type", "").startswith("text/html") and not response.streaming
            if chosen.get() != POINT and is_page:
                response.content = page_in_chosen_sign(response.content.decode()).encode()
            return response
        finally:
            chosen.reset(token)
