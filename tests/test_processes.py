"""What a failing test says of a process that does not come or end is enough to see why."""

import os
import signal
import sys
import time

import pytest

from tests import processes
from tests.processes import Process, is_running, wait_until, wait_until_gone

STUBBORN = """
import signal, subprocess, sys, time
signal.signal(signal.SIGTERM, lambda *_: print("I was asked to end", flush=True))
child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
print("child", child.pid, flush=True)

def thinks_for_ever():
    while True:
        time.sleep(0.1)

thinks_for_ever()
"""
LEAVES_A_CHILD = """
import subprocess, sys, time
print(subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"]).pid, flush=True)
time.sleep(float(sys.argv[1]))
"""


def test_of_a_process_that_does_not_end_it_says_what_it_wrote_its_children_and_where_it_is(monkeypatch):
    process = Process([sys.executable, "-c", STUBBORN])
    wait_until(lambda: "child" in process.output, "the child's number", process)
    child = int(process.output.split()[1])
    monkeypatch.setattr(processes, "LONGEST_WAIT_S", 1.0)
    with pytest.raises(AssertionError) as failed:
        process.stop()
    text = str(failed.value)
    assert "does not end" in text
    assert "I was asked to end" in text
    assert f"\n{child} state S" in text, "the child and its state"
    assert "in thinks_for_ever" in text, "the function it is in"
    assert not is_running(child)
    assert process.returncode == -signal.SIGBUS


def test_of_a_process_that_ends_before_it_was_to_it_says_what_it_wrote():
    process = Process([sys.executable, "-c", "raise SystemExit('No such thing.')"])
    with pytest.raises(AssertionError, match=r"ended before this: an answer from http(?s:.*)code 1\nNo such thing\."):
        process.wait_for_answer("http://127.0.0.1:1/")


def test_what_a_process_leaves_running_is_named(monkeypatch):
    process = Process([sys.executable, "-c", LEAVES_A_CHILD, "600"])
    wait_until(lambda: process.output.endswith("\n"), "the child's number", process)
    child = int(process.output)
    monkeypatch.setattr(processes, "LONGEST_WAIT_S", 2.0)
    with pytest.raises(AssertionError, match=rf"left running(?s:.*){child} state S"):
        process.stop()
    os.kill(child, signal.SIGKILL)


def test_a_test_that_fails_shows_what_the_process_wrote_and_leaves_none(capsys):
    def fails():
        with Process([sys.executable, "-c", LEAVES_A_CHILD, "600"]) as process:
            wait_until(lambda: process.output.endswith("\n"), "the child's number", process)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fails()
    assert wait_until_gone([int(capsys.readouterr().out)], processes.LONGEST_WAIT_S) == []


def test_what_comes_during_a_long_stop_of_the_test_counts(monkeypatch):
    monkeypatch.setattr(processes, "LONGEST_WAIT_S", 0.2)
    stops = iter([0.5])

    def true():
        seconds = next(stops, None)
        time.sleep(seconds or 0)
        return seconds is None

    wait_until(true, "the second answer")
    with pytest.raises(AssertionError, match="the impossible"):
        wait_until(lambda: False, "the impossible")


def test_what_is_much_is_written_without_a_reader():
    process = Process([sys.executable, "-c", "print('x' * 5_000_000)"])
    assert len(process.end()) == 5_000_001
    assert process.returncode == 0
