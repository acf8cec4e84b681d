"""The Chromium that is installed, and how it is started. Needs nothing of the product, so that commands may use it."""

import shutil

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
CHROMIUMS = ("chromium-headless-shell", "chromium", "chromium-browser", "google-chrome")


def installed_chromium():
    """The path of the first that is there; None where there is none."""
    return next(filter(None, map(shutil.which, CHROMIUMS)), None)
