"""What else there is, and the catalogue of methods: what each number is worked out by, and whose formula it is."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from calc.catalogue import page_rows


@require_safe
def more(request: HttpRequest) -> HttpResponse:
    return render(request, "hosting/more.html")


@require_safe
def methods(request: HttpRequest) -> HttpResponse:
    return render(request, "hosting/methods.html", {"groups": page_rows()})
