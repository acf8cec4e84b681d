"""The page of a revision in space: where its weight is, what lifts first, and in which turn."""

from __future__ import annotations

import uuid

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from buildlog.machines.balance_tests import BalanceTest
from buildlog.machines.machine import Machine
from buildlog.machines.models import Revision
from buildlog.machines.space import BRAKING_G, Space
from buildlog.people.signed_in import SignedInRequest
from calc.cautions import TIPPING, TURNING
from sessions.drawing.machine_views import machine_views
from sessions.outings.machine_queries import load_of


@require_safe
def revision_space(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    revision = get_object_or_404(Revision.objects.select_related("vehicle", "parent__vehicle"), pk=pk)
    machine = Machine.in_line(revision)
    space = Space(machine, load_of(revision))
    context = {
        "revision": revision,
        "space": space,
        "views": machine_views(space),
        "tests": BalanceTest.objects.filter(revision=revision).order_by("-done_on", "pk"),
        "figures": [machine.balance.mass, machine.balance.forward, machine.balance.sideways, machine.balance.height],
        "braking_g": BRAKING_G,
        "tipping": TIPPING,
        "turning": TURNING,
    }
    return render(request, "outings/space.html", context)
