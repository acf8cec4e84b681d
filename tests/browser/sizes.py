"""The screens on which pages are tried."""

import pytest

SIZES = {"phone": (390, 844), "desktop": (1280, 800)}
ONE_SIZE = pytest.mark.parametrize("page", ["phone"], indirect=True)
"""For what is the same on each screen: no script asks how wide it is, and `test_every_page.py` looks at the layout."""
