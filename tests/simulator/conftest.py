"""What the tests of the simulator share: scenarios written on the spot, and one being served."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from simulator.installation import Installation
from simulator.run import run
from simulator.scenario import Scenario, load

ROOT = Path(__file__).parents[2]
PLANT = ROOT / "config" / "plants" / "three-machines.yaml"


@dataclass(frozen=True)
class Served:
    """A scenario being served."""

    port_base: int
    line_dir: Path
    stop: asyncio.Event
    task: asyncio.Task[None]


Write = Callable[..., Scenario]
At = Callable[[Scenario, float], Installation]
Serve = Callable[..., AbstractAsyncContextManager[Served]]


@pytest.fixture
def scenario(tmp_path: Path) -> Write:
    """Load a scenario on the plant of three machines, seed 7, with this timeline."""

    def write(timeline: str = "", head: str = "", seed: int = 7) -> Scenario:
        path = tmp_path / "scenario.yaml"
        body = f"\ntimeline:\n{timeline}" if timeline else ""
        path.write_text(f"scenario: a test\nplant: {PLANT}\nseed: {seed}\n{head}{body}")
        return load(path)

    return write


@pytest.fixture
def at() -> At:
    """Give the installation of a scenario after so many scenario seconds."""

    def advanced(told: Scenario, time_s: float) -> Installation:
        installation = Installation(told)
        installation.advance(time_s)
        return installation

    return advanced


def _free_ports(count: int = 3) -> int:
    """Return the first of `count` neighbouring TCP ports that are free now."""
    for first in range(21000, 29000, count):
        opened = []
        try:
            for port in range(first, first + count):
                taken = socket.socket()
                opened.append(taken)
                taken.bind(("127.0.0.1", port))
            return first
        except OSError:
            continue
        finally:
            for taken in opened:
                taken.close()
    raise AssertionError("no free ports")


@pytest.fixture
def port_base() -> int:
    """Give a first port for the plant, free now with its neighbours."""
    return _free_ports()


@pytest.fixture
def serve(tmp_path: Path) -> Serve:
    """Serve a scenario on free ports; leaving the context stops it."""

    @asynccontextmanager
    async def serving(told: Scenario, speed: float = 20.0) -> AsyncIterator[Served]:
        port_base, line_dir, stop = _free_ports(), tmp_path / "lines", asyncio.Event()
        task = asyncio.create_task(
            run(told, port_base=port_base, line_dir=line_dir, speed=speed, stop=stop)
        )
        async with asyncio.timeout(5):
            # A link cannot be waited for, only looked for.
            while not task.done() and not (line_dir / "line-u3").is_symlink():  # noqa: ASYNC110
                await asyncio.sleep(0.01)
        try:
            yield Served(port_base, line_dir, stop, task)
        finally:
            stop.set()
            await asyncio.wait({task}, timeout=5)
            if not task.cancelled():
                task.result()

    return serving
