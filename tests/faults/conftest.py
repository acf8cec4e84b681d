"""What more than one module of faults begins with."""

import os
import tarfile
import tempfile
from pathlib import Path

import pytest


@pytest.fixture
def in_memory(tmp_path):
    """A folder that no disk makes wait: what a kill leaves of a file is the same there."""
    with tempfile.TemporaryDirectory(dir="/dev/shm" if os.access("/dev/shm", os.W_OK) else tmp_path) as folder:
        yield Path(folder)


@pytest.fixture
def earlier(tmp_path):
    """A data folder that the release before this one made."""
    folder = tmp_path / "earlier"
    with tarfile.open(Path(__file__).parent / "earlier_release" / "data.tar.xz") as packed:
        packed.extractall(folder)
    return folder
