"""Requests made up from the OpenAPI document: none ends in a 5xx, and every answer is as the document says.

Schemathesis makes the requests, half of them as the document allows and half just beside it. Records of
each kind stand ready under two known keys, so that what is made up finds something to change.
"""

import collections
import os
import uuid
from datetime import UTC, date, datetime

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections, transaction
from django.test import Client
from drf_spectacular.generators import SchemaGenerator
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis import checks

EXAMPLES = int(os.environ.get("FIRNLOG_API_EXAMPLES", "8"))
item, TWO, NONE = (uuid.UUID(int=number) for number in (1, 2, 3))
# Most of them name a record that is there.
schemathesis.openapi.format("uuid", st.sampled_from([*map(str, (item, TWO, item, TWO, NONE))]))

DOCUMENT = SchemaGenerator().get_schema(request=None, public=True)
for _operations in DOCUMENT["paths"].values():
    for _operation in _operations.values():
        # Who may come in is known here, and tested elsewhere: guessed keys would be turned away at the door.
        _operation.pop("security", None)
SCHEMA = schemathesis.openapi.from_dict(DOCUMENT)
OPERATIONS = {operation.ok().label: operation.ok() for operation in SCHEMA.get_all_operations()}
CSRF = "a" * 32
COUNTS: collections.Counter = collections.Counter()


@pytest.fixture
def records(make_account):
    """One record of each kind under each of two keys, of two machines."""
    from buildlog.models import Failure, FailureMode, Fitting, Modification, Part, Revision, Vehicle
    from sessions import models as out_there

    for key in (item, TWO):
        vehicle = Vehicle.objects.create(pk=key, name=f"Sled {key.int}")
        revision = Revision.objects.create(pk=key, vehicle=vehicle, number=1, date=date(2026, 1, 10), status="riding")
        part = Part.objects.create(pk=key, name=f"Chain {key.int}", category="motor")
        Fitting.objects.create(pk=key, revision=revision, part=part, quantity=1)
        venue = out_there.Venue.objects.create(pk=key, name=f"Lake {key.int}")
        gate = out_there.Gate.objects.create(pk=key, venue=venue, name="Straight")
        out_there.GateMark.objects.bulk_create([out_there.GateMark(gate=gate, position_m=at) for at in (0.0, 100.0)])
        session = out_there.Session.objects.create(
            pk=key, revision=revision, venue=venue, started_at=datetime(2026, 1, 17, 11, tzinfo=UTC)
        )
        out_there.Pass.objects.create(pk=key, session=session, gate=gate, duration_s=7.3)
        out_there.Reading.objects.create(pk=key, session=session, time_into_session_s=5.0, voltage_v=50.0)
        answers = dict.fromkeys(out_there.GoNoGoCheck.ITEMS, "yes")
        out_there.GoNoGoCheck.objects.create(pk=key, session=session, **answers)
        card = out_there.TestCard.objects.create(pk=key, revision=revision, title="Next")
        out_there.TestCardItem.objects.create(pk=key, card=card, what="Coast down")
        older = Revision.objects.create(
            pk=uuid.UUID(int=key.int + 10), vehicle=vehicle, number=9, date=date(2026, 1, 9)
        )
        out_there.Trial.objects.create(pk=key, revision=revision, against=older, measure="range")
        out_there.TrackPart.objects.create(pk=key, session=session, fixes=[[1.0, 60.0, 25.0, 4.0]])
        out_there.MarkTap.objects.create(
            pk=key, session=session, gate=gate, at_last_mark=False, at=session.started_at, u_s=0.1
        )
        mode = FailureMode.objects.create(pk=key, name=f"chain came off {key.int}")
        Failure.objects.create(pk=key, revision=revision, session=session, mode=mode, severity=3)
        Modification.objects.create(pk=key, revision=revision, title="New chain")


@pytest.fixture
def headers(make_account, settings):
    """Who asks, as a browser says it."""

    def of(role):
        client = Client()
        client.force_login(make_account(role))
        cookies = {
            settings.SESSION_COOKIE_NAME: client.cookies[settings.SESSION_COOKIE_NAME].value,
            settings.CSRF_COOKIE_NAME: CSRF,
        }
        # Nothing unpacks an answer on the way from the application to the checks.
        return {"headers": {"X-CSRFToken": CSRF, "Accept-Encoding": "identity"}, "cookies": cookies}

    return of


@pytest.fixture(autouse=True)
def one_connection():
    """Whoever speaks to the application as a server does closes the database's connection after each answer."""
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    yield
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


CHECKS = [
    checks.not_a_server_error,
    checks.content_type_conformance,
    checks.status_code_conformance,
    checks.response_schema_conformance,
]


@pytest.mark.parametrize("label", OPERATIONS)
def test_an_operation(label, records, headers):
    """Each request is sent by an owner, and by a recorder."""
    app, senders = get_wsgi_application(), [headers(role) for role in ("owner", "recorder")]
    seen = []

    @settings(
        max_examples=EXAMPLES, derandomize=True, database=None, deadline=None,
        phases=[Phase.explicit, Phase.generate], suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(
        case=OPERATIONS[label].as_strategy(schemathesis.GenerationMode.POSITIVE)
        | OPERATIONS[label].as_strategy(schemathesis.GenerationMode.NEGATIVE)
    )
    def ask(case):
        for sender in senders:
            with transaction.atomic():
                answer = case.call(app=app, **sender)
                transaction.set_rollback(True)
            seen.append(answer.status_code)
            case.validate_response(answer, checks=CHECKS)

    ask()
    COUNTS.update(seen)


def test_what_was_asked_reached_the_records():
    """Made-up requests that are all turned away at the door would show nothing."""
    if not COUNTS:
        pytest.skip("The requests were not made in this run.")
    print(f"{sum(COUNTS.values())} requests: {dict(sorted(COUNTS.items()))}")
    assert max(COUNTS) < 500
    assert sum(COUNTS[code] for code in (200, 201)) > 0.2 * sum(COUNTS.values())
    assert COUNTS[400] > 0.1 * sum(COUNTS.values())
