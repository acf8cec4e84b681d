"""All sizes: the table, and the goals that are missed."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path

from tests.page_costs.costs import FLAT, Cost, goal_of

SIZES = (200, 2_000, 20_000)
PROJECT = Path(__file__).resolve().parents[2]


def run(sizes: Iterable[int] = SIZES) -> list[str]:
    """Measure these sizes, print the table, and return the goals that are missed as sentences."""
    results: dict[int, dict[str, Cost]] = {}
    for size in sizes:
        with tempfile.TemporaryDirectory(prefix="firnlog-benchmark-") as folder:
            settings = {"BUILDLOG_DATA_DIR": folder, "DJANGO_SETTINGS_MODULE": "buildlog.config.settings"}
            answer = subprocess.run(
                [sys.executable, "-m", "tests.page_costs.measuring", str(size)],
                cwd=PROJECT, env=os.environ | settings, stdout=subprocess.PIPE, check=True,
            )  # fmt: skip
            measured = json.loads(answer.stdout)
        results[size] = {name: Cost(**cost) for name, cost in measured["costs"].items()}
        idle_mb, after_mb = measured["idle_mb"], measured["after_mb"]
        print(f"{size} sessions: {idle_mb:.0f} MB of memory before and {after_mb:.0f} MB after all pages", flush=True)
    print_table(results)
    return missed(results)


def slope(costs: dict[int, Cost]) -> float:
    """The ratio at the largest size as a multiple of the ratio at the smallest."""
    return costs[max(costs)].ratio / costs[min(costs)].ratio


def print_table(results: dict[int, dict[str, Cost]]) -> None:
    sizes = sorted(results)
    head = "".join(f"{size:>8}" for size in sizes)
    print(f"\n{'page':30}{head}  slope   goal  queries   sent kB  whole kB  peak MB      ms")
    for name in results[sizes[0]]:
        costs = {size: results[size][name] for size in sizes}
        largest, goal = costs[sizes[-1]], goal_of(name)
        ratios = "".join(f"{cost.ratio:>7.1f}x" for cost in costs.values())
        wanted = f"{goal.ratio:g}x" if goal else ""
        queries = "/".join(dict.fromkeys(str(cost.queries) for cost in costs.values()))
        print(
            f"{name:30}{ratios}{slope(costs):>7.2f}{wanted:>7}{queries:>9}{largest.bytes / 1e3:>10.1f}"
            f"{largest.whole_bytes / 1e3:>10.1f}{largest.peak_mb:>9.1f}{largest.ms:>8.1f}"
        )


def missed(results: dict[int, dict[str, Cost]]) -> list[str]:
    sentences = []
    for name in results[min(results)]:
        goal = goal_of(name)
        if goal is None:
            continue
        costs = {size: results[size][name] for size in sorted(results)}
        for size, cost in costs.items():
            if goal.size in (None, size) and cost.ratio > goal.ratio:
                sentences.append(f"{name}: {cost.ratio:.1f} times its bare page at {size} sessions, not {goal.ratio:g}")
        if goal.flat and slope(costs) > FLAT:
            sentences.append(f"{name}: {slope(costs):.2f} times the ratio at {max(costs)} as at {min(costs)} sessions")
    return sentences
