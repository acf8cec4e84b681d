"""The catalogue of methods: what each number is worked out by, and whose formula it is."""

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from calc.calculator import Answer, inputs_of, understood, worked_out
from calc.catalogue import page_rows, result_rows
from calc.declaration import CATALOGUE
from calc.quantities import NotUnderstood


@require_safe
def methods(request: HttpRequest) -> HttpResponse:
    return render(request, "hosting/methods.html", {"groups": page_rows(), "shown": result_rows()})


@require_safe
def method(request: HttpRequest, name: str) -> HttpResponse:
    """One calculation with the numbers of the address."""
    if name not in CATALOGUE or not inputs_of(name):
        raise Http404(f"there is no calculation {name} that takes single numbers")
    inputs, typed, errors = inputs_of(name), {}, {}
    for field in inputs:
        text = request.GET.get(field.name, field.default)
        try:
            typed[field.name] = understood(text, field.name)
        except NotUnderstood as error:
            errors[field.name] = str(error)
    answers: list[Answer] = []
    if request.GET and not errors:
        try:
            answers = worked_out(name, typed)
        except ValueError as error:
            errors[""] = f"{str(error)[:1].upper()}{str(error)[1:]}."
    rows = [(field, request.GET.get(field.name, field.default), errors.get(field.name, "")) for field in inputs]
    context = {"method": CATALOGUE[name], "rows": rows, "answers": answers, "error": errors.get("", "")}
    context["asked"] = bool(request.GET)
    return render(request, "hosting/method.html", context, status=422 if request.GET and errors else 200)
