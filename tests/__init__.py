"""Tests, and the commands that measure and simulate."""

import os

# What they ask for comes faster than from people and devices.
os.environ.setdefault("BUILDLOG_REQUEST_RATE", "0")
