"""Logs as they are stored, read whole."""

import io

import numpy as np

from sessions.logs.columns import ColumnWriter, open_columns, stored_columns
from sessions.logs.series import ShortRecording


def whole_columns(log):
    with open_columns(log) as columns:
        return dict(columns)


def whole(recording):
    """A recording with all its blocks in memory."""
    blocks = list(recording.blocks())
    columns = {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}
    return ShortRecording(recording.first_at, columns, recording.notes)


def packed(*blocks):
    """Columns, which come in blocks, as a file."""
    file = io.BytesIO()
    with ColumnWriter(file) as writer:
        for block in blocks:
            writer.add(block)
    file.seek(0)
    return file


def packed_and_read(*blocks):
    return stored_columns(packed(*blocks))
