"""The page of a revision's electrical chain."""

from __future__ import annotations

import uuid

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision
from buildlog.machines.one_line import one_line
from buildlog.machines.wiring import Wiring
from buildlog.machines.wiring_results import wiring_results
from buildlog.people.signed_in import SignedInRequest
from calc.cautions import WIRING
from calc.results import alarms


@require_safe
def revision_wiring(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    revision = get_object_or_404(Revision.objects.select_related("vehicle"), pk=pk)
    machine = Machine.in_line(revision)
    chain, results = Wiring(machine), wiring_results(machine)
    context = {
        "revision": revision,
        "machine": machine,
        "chain": chain,
        "drawing": one_line(chain),
        "known": [result for result in results if result.value is not None],
        "missing": [result for result in results if result.value is None],
        "alarms": alarms(results) + machine.warnings,
        "caution": WIRING,
    }
    return render(request, "machines/wiring.html", context)
