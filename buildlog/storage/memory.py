"""The machine's memory."""

from __future__ import annotations

import re
from contextlib import suppress
from pathlib import Path

MEMINFO = Path("/proc/meminfo")
CGROUP = Path("/sys/fs/cgroup")


def available_bytes() -> int | None:
    """So much can be taken before the system has to swap or end a process; None where it does not say.

    As Linux tells it (proc(5), MemAvailable), or what is left to this container (cgroup v2, memory.max).
    """
    rooms = []
    with suppress(OSError):
        available = re.search(r"^MemAvailable:\s+(\d+) kB$", MEMINFO.read_text(), re.MULTILINE)
        rooms += [1024 * int(available[1])] if available else []
    # No such files, or no limit ("max").
    with suppress(OSError, ValueError):
        rooms.append(int((CGROUP / "memory.max").read_text()) - int((CGROUP / "memory.current").read_text()))
    return max(0, min(rooms)) if rooms else None
