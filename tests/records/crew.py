"""Records of somebody, what hangs on them, and their removal."""

from datetime import timedelta

from django.utils import timezone

from buildlog.models import (
    Failure,
    FailureMode,
)
from sessions.models import Pass, Reading, TestCard, TestCardItem, TrackPart


def own(record, account, ago=timedelta(hours=1)):
    type(record).objects.filter(pk=record.pk).update(made_by=account, made_at=timezone.now() - ago)
    return record


def removed_by_page(client, record, path):
    answer = client.post(path)
    assert type(record).objects.filter(pk=record.pk).exists() == (answer.status_code != 302)
    return answer


def removed_by_api(client, kind, record, **headers):
    answer = client.delete(f"/api/v1/{kind}/{record.pk}/", headers=headers)
    assert type(record).objects.filter(pk=record.pk).exists() == (answer.status_code != 200)
    return answer


def hang(on, maker, gate):
    """One record of each kind that can hang on a session."""
    failure = Failure.objects.create(
        revision=on.revision, session=on, mode=FailureMode.called("belt slipped"), severity=3
    )
    card = TestCard.objects.create(revision=on.revision, title="x")
    rows = {
        "passes": Pass.objects.create(session=on, gate=gate, duration_s=7.0),
        "readings": Reading.objects.create(session=on, time_into_session_s=1.0, voltage_v=50.0),
        "failures": failure,
        "track parts": TrackPart.objects.create(session=on, fixes=[[1.0, 60.0, 25.0, 4.0]]),
        "test card items": TestCardItem.objects.create(card=card, what="y", outcome="done", session=on),
    }
    for row in rows.values():
        own(row, maker)
    return rows
