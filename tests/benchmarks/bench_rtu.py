"""RTU: how near to the line's own limit, and whether the silence between frames is kept.

Run by name: `python -m pytest tests/benchmarks/bench_rtu.py -s`. The line model is a program of
its own that passes characters on at the line's speed and answers after t3.5.
"""

import asyncio
import json
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import pytest

from gateway.field import Field
from gateway.site.installed import Site
from gateway.tags import Instant, Reading
from tests.benchmarks.block_site import block_site

REGISTERS = 20


def best_s(baud: int) -> float:
    """Least time of one read: request, t3.5, reply, t3.5 (Serial Line V1.02, 2.5.1.1)."""
    return (8 + 5 + 2 * REGISTERS) * 11 / baud + 2 * silence_s(baud)


def silence_s(baud: int) -> float:
    """t3.5 of the same source, written down again."""
    return 3.5 * 11 / baud if baud <= 19200 else 0.00175


async def arrivals_s(site: Site, seconds: float) -> list[float]:
    """When the replies of a saturated line arrived."""
    arrived: list[float] = []

    def deliver(readings: Sequence[Reading]) -> None:
        assert all(r.status.is_good for r in readings), readings[0]
        arrived.append(readings[0].at.monotonic_ns / 1e9)

    field = Field(site, lambda: Instant(time.time_ns(), time.monotonic_ns()), deliver)
    running = asyncio.create_task(field.run())
    await asyncio.wait({running}, timeout=seconds)
    running.cancel()
    await asyncio.wait({running})
    return arrived


@pytest.mark.parametrize(("baud", "goal"), [(9600, 0.98), (19200, 0.97), (115200, 0.93)])
def test_line_use(baud: int, goal: float) -> None:
    """A saturated line is used almost wholly, and never without its silence."""
    model = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("paced_line.py")), str(baud)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    path = model.stdout.readline().strip()
    site = block_site(
        [{"kind": "modbus-rtu", "name": "row", "line": path, "baud": baud}], REGISTERS, "1 ms"
    )
    cpu_s = -time.process_time()
    arrived = asyncio.run(arrivals_s(site, 5.0))
    cpu_s += time.process_time()
    seen = json.loads(model.communicate("")[0])
    left_s, model_late_s = sorted(seen["silences_s"]), sum(seen["late_s"])
    # The first reads bear the start; the last one may have been cut off.
    gaps_s = [b - a for a, b in pairwise(arrived[1:])]
    ratio = best_s(baud) * len(gaps_s) / sum(gaps_s)
    print(
        f"\n{baud} baud: {ratio:.3f} of the line's limit (goal {goal}; median read "
        f"{best_s(baud) / statistics.median(gaps_s):.3f}), {len(gaps_s) / sum(gaps_s):.1f} reads/s;"
        f" silence least {left_s[0] / silence_s(baud):.3f}, median "
        f"{statistics.median(left_s) / silence_s(baud):.3f} x t3.5; model late "
        f"{100 * model_late_s / sum(gaps_s):.2f} % of the time; CPU "
        f"{1e6 * cpu_s / len(arrived):.0f} us/read"
    )
    assert left_s[0] >= silence_s(baud)
    assert ratio > goal - 0.3
