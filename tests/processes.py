"""Processes that tests start and wait for. One that does not come or end is described, so that CI's output says why."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

Result = TypeVar("Result")

LONGEST_WAIT_S = 180.0
"""So long a test waits for what an idle machine does in a moment: a busy one, or one that stops for a while, is slow.

Only what hangs takes longer. Where a time is itself what a test is about, the test shows the order of things instead,
as with a server more patient than the test is, or that one of several tries came in time.
"""
STACKS_S = 10.0
"""So long processes that hang may take to write where they are."""


def wait_until(true: Callable[[], Result], what: str, process: Process | None = None) -> Result:
    """The first answer that is true; `process` is whose work is waited for, and must not end before."""
    ends = time.monotonic() + LONGEST_WAIT_S
    while True:
        # Looked at before asking, so that what came during a long stop of this process still counts.
        is_late, has_ended = time.monotonic() > ends, process is not None and process.poll() is not None
        if result := true():
            return result
        if is_late or has_ended:
            problem = f"It ended before this: {what}" if has_ended else f"Not in {LONGEST_WAIT_S:.0f} s: {what}"
            raise AssertionError(process.described(problem) if process else problem)
        time.sleep(0.05)


class Process(subprocess.Popen[bytes]):
    """A process that writes into a file: it never waits for a reader, and what it wrote can be read at any time.

    A `with` block that fails shows what it wrote. If it still runs at the end, it is killed with all that it started.
    """

    def __init__(self, command: list[Any], **more: Any) -> None:
        self._file = tempfile.TemporaryFile()  # noqa: SIM115 (closed with this object)
        # Asked by a signal, Python then writes where each thread is.
        environment = {**(more.pop("env", None) or os.environ), "PYTHONFAULTHANDLER": "1"}
        super().__init__(command, env=environment, stdout=self._file, stderr=subprocess.STDOUT, **more)

    def __exit__(self, *trouble: Any) -> None:
        if trouble[0] is not None:
            print(self.output)
        if self.poll() is None:
            for pid in tree(self.pid):
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
        super().__exit__(*trouble)
        self._file.close()

    @property
    def output(self) -> str:
        """All that it and the processes it started wrote until now."""
        # The place in the file belongs to the writers, too.
        return os.pread(self._file.fileno(), os.fstat(self._file.fileno()).st_size, 0).decode(errors="replace")

    def wait_for_answer(self, address: str) -> Any:
        """What the server says to a request, once it answers one."""

        def answer() -> Any:
            try:
                return urllib.request.urlopen(address, timeout=LONGEST_WAIT_S)
            except urllib.error.HTTPError:
                raise
            except OSError:
                return None

        return wait_until(answer, f"an answer from {address}", self)

    def end(self) -> str:
        """What it wrote until it ended by itself, with all that it started."""
        return self._end(tree(self.pid))

    def _end(self, family: list[int]) -> str:
        try:
            self.wait(LONGEST_WAIT_S)
        except subprocess.TimeoutExpired:
            raise AssertionError(self.described(f"It does not end in {LONGEST_WAIT_S:.0f} s")) from None
        left = wait_until_gone(family, LONGEST_WAIT_S)
        assert not left, f"It ended, and left running what it had started:\n{table(left)}\n{self.output}"
        return self.output

    def stop(self) -> str:
        """Ask it to end; what it wrote until then."""
        # Once it has ended, nothing says any more what it had started.
        family = tree(self.pid)
        if self.poll() is None:
            self.send_signal(signal.SIGTERM)
        return self._end(family)

    def described(self, problem: str) -> str:
        """The problem, the processes, and what they wrote. What still runs says where it is, and is ended."""
        if self.poll() is not None:
            return f"{problem}\nexit code {self.returncode}\n{self.output}"
        family = tree(self.pid)
        rows = table(family)
        for pid in family:
            # One after the other, or their words would be mixed.
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGBUS)
                if wait_until_gone([pid], STACKS_S):
                    os.kill(pid, signal.SIGKILL)
        self.wait()
        return f"{problem}\n{rows}\n{self.output}"


def tree(pid: int) -> list[int]:
    """A process and all that it started."""
    pids = [pid]
    with contextlib.suppress(OSError):
        for task in Path(f"/proc/{pid}/task").iterdir():
            for child in (task / "children").read_text().split():
                pids += tree(int(child))
    return pids


def is_running(pid: int) -> bool:
    """Not one that has ended, and is only not yet noticed by who started it."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except (FileNotFoundError, ProcessLookupError):
        return False


def wait_until_gone(pids: list[int], seconds: float) -> list[int]:
    """Those that are still running in the end."""
    ends = time.monotonic() + seconds
    while (left := [pid for pid in pids if is_running(pid)]) and time.monotonic() < ends:
        time.sleep(0.05)
    return left


def table(pids: list[int]) -> str:
    """Of each process its state, how many threads it has, and its command."""
    rows = []
    for pid in pids:
        folder = Path(f"/proc/{pid}")
        with contextlib.suppress(OSError):
            lines = (folder / "status").read_text().splitlines()
            status = dict(line.split(":\t", 1) for line in lines if ":\t" in line)
            command = (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")[:150]
            rows.append(f"{pid} state {status['State']}, {status['Threads']} threads: {command}")
    return "\n".join(rows)
