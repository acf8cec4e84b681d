"""A change that was tried on paper, and what became of the machine meanwhile."""

import pytest
from django.core.exceptions import ValidationError

from buildlog.machines.machine import Machine
from buildlog.models import Revision
from sessions.bench.on_paper import WhatIfForm, keep


@pytest.mark.parametrize("others", [0, 1])
def test_what_was_tried_on_a_revision_that_is_gone_is_refused_in_a_sentence(revision, others):
    if others:
        Revision.objects.create(vehicle=revision.vehicle, number=2, date=revision.date, status="planned")
    form = WhatIfForm(revision, {"track_width_m": "1.3 m"})
    assert form.is_valid(), form.errors
    before = Machine(revision)
    tried = form.thought_of(before)
    Revision.objects.filter(pk=revision.pk).delete()
    with pytest.raises(ValidationError, match="removed meanwhile"):
        keep(tried, before, "metric")
    assert Revision.objects.count() == others
