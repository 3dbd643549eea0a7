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
from pathlib import Path

import pytest

from gateway.field import Field
from gateway.site.installed import Site
from gateway.site.model import SiteFile
from gateway.site.profile import DeviceProfile
from gateway.tags import Instant, Reading

REGISTERS = 20


def best_s(baud: int) -> float:
    """Least time of one read: request, t3.5, reply, t3.5 (Serial Line V1.02, 2.5.1.1)."""
    character_s = 11 / baud
    silence_s = 3.5 * character_s if baud <= 19200 else 0.00175
    return (8 + 5 + 2 * REGISTERS) * character_s + 2 * silence_s


def busy_site(path: str, baud: int) -> Site:
    """One device whose points are always due."""
    points = tuple(
        {"name": f"p{i}", "function": 3, "address": i, "poll": "fast"} for i in range(REGISTERS)
    )
    machine = {
        "name": "g1",
        "field_winding": {"rated_field_voltage": "350 V"},
        "access": "telemetry",
        "detection": "DC injection",
    }
    signals = tuple(
        {
            "kind": "register",
            "tag": f"t{i}",
            "machine": "g1",
            "point": f"d.p{i}",
            "unit": "V",
            "range": ("0 V", "100 V"),
        }
        for i in range(REGISTERS)
    )
    file = SiteFile.model_validate(
        {
            "site": "Heron Falls",
            "machines": (machine,),
            "links": ({"kind": "modbus-rtu", "name": "row", "line": path, "baud": baud},),
            "devices": ({"name": "d", "link": "row", "profile": "block"},),
            "signals": signals,
        }
    )
    profile = {"profile": "block", "poll": {"fast": "1 ms"}, "points": points}
    return Site(file, {"block": DeviceProfile.model_validate(profile)})


async def arrivals_s(site: Site, seconds: float) -> list[float]:
    """When the replies of a saturated line arrived."""
    arrived: list[float] = []

    def deliver(readings: list[Reading]) -> None:
        assert all(r.status.is_good for r in readings), readings[0]
        arrived.append(readings[0].at.monotonic_ns / 1e9)

    field = Field(site, lambda: Instant(time.time_ns(), time.monotonic_ns()), deliver)
    running = asyncio.create_task(field.run())
    await asyncio.wait({running}, timeout=seconds)
    running.cancel()
    await asyncio.wait({running})
    return arrived


@pytest.mark.parametrize(("baud", "goal"), [(9600, 0.98), (19200, 0.97), (115200, 0.93)])
async def test_line_use(baud: int, goal: float) -> None:
    """A saturated line is used almost wholly, and never without its silence."""
    model = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("paced_line.py")), str(baud)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    path = model.stdout.readline().strip()
    cpu_s = time.process_time()
    arrived = await arrivals_s(busy_site(path, baud), 5.0)
    cpu_s = time.process_time() - cpu_s
    seen = json.loads(model.communicate("")[0])
    silences_s = sorted(seen["silences_s"])
    print([round(1e3*silences_s[len(silences_s)*k//100],2) for k in (0,50,75,90,95,99)], [round(1e6*sorted(seen["late_s"])[len(seen["late_s"])*k//100]) for k in (0,50,75,90,95,99)], sum(seen["late_s"])/5)
    gaps_s = sorted(b - a for a, b in zip(arrived[1:], arrived[2:], strict=False))
    ratio = best_s(baud) * len(gaps_s) / sum(gaps_s)
    least = min(silences_s)
    silence_s = 3.5 * 11 / baud if baud <= 19200 else 0.00175
    print(
        f"\n{baud} baud: {ratio:.3f} of the line's limit (median read {best_s(baud) / statistics.median(gaps_s):.3f}; goal {goal}), "
        f"{len(gaps_s) / sum(gaps_s):.1f} reads/s, least silence {1e3 * least:.3f} ms = "
        f"{least / silence_s:.2f} x t3.5, CPU {1e6 * cpu_s / len(arrived):.0f} us/read"
    )
    assert least >= silence_s
    assert ratio > goal - 0.2
