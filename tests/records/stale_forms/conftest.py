"""The person whose form is open."""

import pytest

from tests.records.stale_forms.pages import SESSION


@pytest.fixture
def client(sign_in):
    return sign_in("owner")


@pytest.fixture
def page(session):
    return SESSION.format(session.pk)
