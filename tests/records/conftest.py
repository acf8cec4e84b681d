"""A crew of three."""

import pytest
from django.test import Client


@pytest.fixture
def mara(make_account):
    return make_account("recorder", "mara")


@pytest.fixture
def oona(make_account):
    return make_account("builder", "oona")


@pytest.fixture
def as_(ilo, mara, oona):
    """A client for each of the crew."""
    clients = {}
    for account in (ilo, mara, oona):
        clients[account.username] = Client()
        clients[account.username].force_login(account)
    return clients
