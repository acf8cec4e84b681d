"""The catalogue of methods: what each number is worked out by, and whose formula it is."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from calc.catalogue import page_rows


@require_safe
def methods(request: HttpRequest) -> HttpResponse:
    return render(request, "buildlog/methods.html", {"groups": page_rows()})
