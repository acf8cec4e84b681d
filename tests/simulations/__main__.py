"""`python -m tests.simulations [--trials N] [--first SEED] [table …]` prints every table, or those named."""

from __future__ import annotations

import argparse
import multiprocessing
import os
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from typing import Any

from tests.simulations import (  # noqa: F401 (their tables add themselves)
    coast_down_bound,
    coast_downs,
    cover,
    crossings,
    doubts,
    failures,
    later_trials,
    trials,
)
from tests.simulations.tables import TABLES

CHUNK = 20


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.simulations", description=__doc__)
    parser.add_argument("table", nargs="*", help=f"of {', '.join(TABLES)}; all if none is named")
    parser.add_argument("--trials", type=int, default=500, help="seasons of each row (500)")
    parser.add_argument("--first", type=int, default=0, help="number of the first season; another draws all anew (0)")
    asked = parser.parse_args()

    def spread(work: Callable[[int], Any], seeds: Iterable[int]) -> Iterable[Any]:
        return pool.map(work, [asked.first + seed for seed in seeds], chunksize=CHUNK)

    for name in asked.table:
        if name not in TABLES:
            parser.error(f"there is no table {name!r}; there are {', '.join(TABLES)}")
    # Small matrices in many processes: threads of the linear algebra library would only stand in each other's way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    began, missed = time.perf_counter(), 0
    with ProcessPoolExecutor(os.cpu_count(), multiprocessing.get_context("spawn")) as pool:
        for name in asked.table or TABLES:
            print(f"\n{name}: {TABLES[name].__doc__}", flush=True)
            for row, rates in TABLES[name](asked.trials, spread):
                print(f"  {row}\n    " + "\n    ".join(map(str, rates)), flush=True)
                missed += sum(not rate.meets_goal for rate in rates)
    used = os.times()
    processor_s = used.user + used.system + used.children_user + used.children_system
    took = f"{time.perf_counter() - began:.0f} s on {os.cpu_count()} cores, {processor_s:.0f} s of processor time"
    print(f"\n{missed} goals missed; {took}")
    return 1 if missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
