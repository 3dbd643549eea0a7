"""Served Modbus requests a second and their p99, beside the bare pymodbus server in the same run.

Run by name: `pytest -s tests/benchmarks/bench_modbus_serve.py`. Each server has a process of its
own; eight closed-loop clients ask for 125 holding registers. Only the ratios mean something on
a shared machine, and only a wide bound is asserted.
"""

import asyncio
import os
import select
import socket
import statistics
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
CLIENTS = 8
REGISTERS = 125
REQUESTS = 6000
ROUNDS = 3
FLOOR = 2.0  # sanity only: the machine is shared


@dataclass(frozen=True)
class Run:
    """One load on one server."""

    requests_s: float
    p50_us: float
    p99_us: float
    server_cpu_us: float  # a request


def serve_gateway(port: int) -> None:
    """The outlet with a machine of 60 tags, and a new Frame ten times a second."""
    from gateway.serve.modbus import ModbusOutlet
    from gateway.serve.outlet import Feed
    from gateway.tags import GOOD, Instant, Sample
    from tests.serve.sites import Clock, Orders, make_frame, make_site, number

    def now() -> Instant:
        return Instant(time.time_ns(), time.monotonic_ns())

    async def run() -> None:
        tags = [f"G1.R{n}" for n in range(60)]
        site = make_site({"modbus": {"port": port}}, [number(t, "G1") for t in tags], ())
        feed = Feed(site, now)
        await ModbusOutlet(site, feed, Orders()).start()
        while True:
            clock = Clock(now().utc_ns, now().monotonic_ns)
            samples = [Sample(t, 47.3, GOOD, clock.utc_ns) for t in tags]
            feed.take(make_frame("G1", clock, samples))
            await asyncio.sleep(0.1)

    asyncio.run(run())


def serve_pymodbus(port: int) -> None:
    """The library's own server over as many registers, and nothing else."""
    from pymodbus.server import ModbusTcpServer
    from pymodbus.simulator import DataType, SimData, SimDevice

    async def run() -> None:
        data = SimData(0, values=list(range(1000)), datatype=DataType.REGISTERS)
        await ModbusTcpServer(SimDevice(1, data), address=("127.0.0.1", port)).serve_forever()

    asyncio.run(run())


SERVERS = {"gateway": serve_gateway, "pymodbus": serve_pymodbus}


@contextmanager
def server(kind: str) -> Iterator[tuple[int, int]]:
    """Port and process id of a server of its own process."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    process = subprocess.Popen(
        [sys.executable, __file__, kind, str(port)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        until = time.monotonic() + 20
        while True:
            try:
                socket.create_connection(("127.0.0.1", port)).close()
                break
            except ConnectionRefusedError:
                if time.monotonic() > until or process.poll() is not None:
                    raise
                time.sleep(0.05)
        yield port, process.pid
    finally:
        process.terminate()
        process.wait(10)


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def load(port: int, pid: int, requests: int) -> Run:
    """Eight clients, each with one request under way, until all are answered."""
    request = struct.pack(">HHHBBHH", 1, 0, 6, 1, 3, 0, REGISTERS)
    whole = 9 + 2 * REGISTERS
    poll = select.epoll()
    clients: dict[int, socket.socket] = {}
    for _ in range(CLIENTS):
        client = socket.create_connection(("127.0.0.1", port), 10)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        clients[client.fileno()] = client
        poll.register(client, select.EPOLLIN)
    clock = time.perf_counter
    sent, got = dict.fromkeys(clients, 0.0), dict.fromkeys(clients, 0)
    took: list[float] = []
    before, start = cpu_s(pid), clock()
    for number, client in clients.items():
        sent[number] = clock()
        client.send(request)
    while len(took) < requests:
        ready = poll.poll(5)
        assert ready, "the server stopped answering"
        for number, _ in ready:
            data = clients[number].recv(4096)
            assert data, "the server closed a connection"
            got[number] += len(data)
            if got[number] == whole:
                now = clock()
                took.append(now - sent[number])
                got[number], sent[number] = 0, now
                clients[number].send(request)
    wall, used = clock() - start, cpu_s(pid) - before
    for client in clients.values():
        client.close()
    took.sort()
    return Run(
        len(took) / wall,
        took[len(took) // 2] * 1e6,
        took[len(took) * 99 // 100] * 1e6,
        used / len(took) * 1e6,
    )


def test_served_requests_against_pymodbus() -> None:
    """The served map answers at least twice as many requests a second as the bare library."""
    runs: dict[str, list[Run]] = {kind: [] for kind in SERVERS}
    for _ in range(ROUNDS):
        for kind in SERVERS:
            with server(kind) as (port, pid):
                load(port, pid, 500)  # first touches are no measurement
                runs[kind].append(load(port, pid, REQUESTS * (4 if kind == "gateway" else 1)))
    print(f"\n{CLIENTS} clients, {REGISTERS} registers, medians of {ROUNDS} rounds")
    print(f"{'server':10}{'requests/s':>12}{'p50 us':>9}{'p99 us':>9}{'CPU us/request':>16}")
    medians = {}
    for kind, found in runs.items():
        median = medians[kind] = Run(
            *(
                statistics.median(getattr(r, f) for r in found)
                for f in ("requests_s", "p50_us", "p99_us", "server_cpu_us")
            )
        )
        print(
            f"{kind:10}{median.requests_s:12,.0f}{median.p50_us:9.0f}"
            f"{median.p99_us:9.0f}{median.server_cpu_us:16.1f}"
        )
    ours, theirs = medians["gateway"], medians["pymodbus"]
    ratio = ours.requests_s / theirs.requests_s
    print(
        f"requests/s {ratio:.2f} times, p99 {ours.p99_us / theirs.p99_us:.2f} times, "
        f"CPU a request {ours.server_cpu_us / theirs.server_cpu_us:.2f} times"
    )
    assert ratio > FLOOR


if __name__ == "__main__":
    SERVERS[sys.argv[1]](int(sys.argv[2]))
