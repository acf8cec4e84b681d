"""The screens on which pages are tried."""

import pytest

from tests.browser.waits import DRAWN

SIZES = {"phone": (390, 844), "desktop": (1280, 800)}
ONE_SIZE = pytest.mark.parametrize("page", ["phone"], indirect=True)
"""For what is the same on each screen: no script asks how wide it is, and `test_every_page.py` looks at the layout."""


def resize(page, size):
    """Make an open page as large as if it had been opened so, where no script draws by the size that it finds."""
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    page.evaluate(DRAWN)
    page.size_name = size
