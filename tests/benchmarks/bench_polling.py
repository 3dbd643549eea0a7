"""Polling 50 devices ten times a second, 20 registers each, against the bare library.

Run by name: `python -m pytest tests/benchmarks/bench_polling.py -s`. The device is a program of
its own and notes when requests arrive; CPU is the client's process time.
"""

import asyncio
import json
import subprocess
import sys
import time
from collections.abc import Callable, Coroutine, Sequence
from pathlib import Path
from typing import Any

from pymodbus.client import AsyncModbusTcpClient

from gateway.field import Field
from gateway.tags import Instant, Reading
from tests.benchmarks.block_site import block_site

DEVICES, HERTZ, REGISTERS, SECONDS, ROUNDS = 50, 10, 20, 6.0, 3
SETTLING_S = 1.5


def now() -> Instant:
    return Instant(time.time_ns(), time.monotonic_ns())


async def with_field(port: int) -> None:
    """The gateway's own way, readings and all."""
    links = [
        {"kind": "modbus-tcp", "name": f"l{i}", "host": "127.0.0.1", "port": port}
        for i in range(DEVICES)
    ]
    delivered = 0

    def deliver(readings: Sequence[Reading]) -> None:
        nonlocal delivered
        delivered += len(readings)

    field = Field(block_site(links, REGISTERS, f"{1000 // HERTZ} ms"), now, deliver)
    running = asyncio.create_task(field.run())
    await asyncio.wait({running}, timeout=SECONDS)
    running.cancel()
    await asyncio.wait({running})
    assert {0} == {r.failed for r in field.reports()}
    assert delivered > 0.9 * DEVICES * HERTZ * SECONDS * REGISTERS


async def with_bare_library(port: int) -> None:
    """The same reads at the same phases, straight through the library, values thrown away."""
    clients = [AsyncModbusTcpClient("127.0.0.1", port=port) for _ in range(DEVICES)]
    for client in clients:
        await client.connect()
    loop = asyncio.get_running_loop()
    begin_s = loop.time()

    async def poll(place: int, client: AsyncModbusTcpClient) -> None:
        due_s = begin_s + place / (HERTZ * DEVICES)
        for _ in range(int(HERTZ * SECONDS)):
            await asyncio.sleep(max(0.0, due_s - loop.time()))
            reply = await client.read_holding_registers(0, count=REGISTERS, device_id=1)
            assert REGISTERS == len(reply.registers)
            due_s += 1 / HERTZ

    await asyncio.gather(*(poll(i, c) for i, c in enumerate(clients)))
    for client in clients:
        client.close()


async def cpu_share(polling: Coroutine[Any, Any, None]) -> float:
    """CPU of one core that the polling takes once it is under way."""
    task = asyncio.create_task(polling)
    await asyncio.wait({task}, timeout=SETTLING_S)
    began_s, cpu_s = time.monotonic(), time.process_time()
    await task
    return (time.process_time() - cpu_s) / (time.monotonic() - began_s)


def measured(client: Callable[[int], Coroutine[Any, Any, None]]) -> tuple[float, float, float, int]:
    """p50 and p99 lateness of the requests (s), CPU of one core, and how many requests."""
    device = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("modbus_tcp_device.py"))],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    port = int(device.stdout.readline())
    cpu = asyncio.run(cpu_share(client(port)))
    arrivals_s = [a for a in json.loads(device.communicate("")[0]) if a]
    late_s: list[float] = []
    for arrived_s in arrivals_s:
        # Against each connection's own grid; its earliest request counts as punctual.
        off_s = [t - round((t - arrived_s[0]) * HERTZ) / HERTZ for t in arrived_s]
        late_s += [o - min(off_s) for o in off_s]
    late_s.sort()
    return late_s[len(late_s) // 2], late_s[len(late_s) * 99 // 100], cpu, len(late_s)


def test_polling_fifty_devices() -> None:
    """Checking, planning and counting cost little beside the bare library, and delay nothing."""
    ratios: list[float] = []
    for _ in range(ROUNDS):
        bare, ours = measured(with_bare_library), measured(with_field)
        for name, (p50_s, p99_s, cpu, requests) in (("bare library", bare), ("field", ours)):
            print(
                f"\n{name}: {requests} requests, lateness p50 {1e3 * p50_s:.2f} ms, "
                f"p99 {1e3 * p99_s:.2f} ms, CPU {100 * cpu:.1f} % of a core, "
                f"{1e6 * cpu / (DEVICES * HERTZ):.0f} us/request",
                end="",
            )
        ratios.append(ours[2] / bare[2])
        print(f"\nfield / bare library: CPU {ratios[-1]:.2f}, p99 {ours[1] / bare[1]:.2f}")
        assert ours[1] < 0.05
    assert min(ratios) < 3.0
