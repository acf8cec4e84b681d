"""A machine with one of everything."""

import pytest

from tests.sharing.machine import load_with_more


@pytest.fixture
def demo(db, picture_bytes):
    return load_with_more(picture_bytes)
