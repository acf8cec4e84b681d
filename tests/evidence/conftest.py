"""A session in doubt."""

import pytest

from sessions.models import Pass, Session


@pytest.fixture
def hurried(session, gate):
    """Seen: 35 min of runtime, typed as 0:35 and stored as 35 s."""
    Session.objects.filter(pk=session.pk).update(runtime_s=35.0)
    Pass.objects.create(session=session, gate=gate, number=1, duration_s=7.0)
    session.refresh_from_db()
    return session
