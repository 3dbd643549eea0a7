"""The simulated plant polled without sockets: Readings of one machine, step by step, as fast as it
goes. What the field side does of timing and retries is not here; its tests are elsewhere.
"""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

from gateway.chain import Chain
from gateway.site.installed import Site
from gateway.tags import (
    BAD_NO_COMMUNICATION,
    BAD_TIMEOUT,
    GOOD,
    Frame,
    Instant,
    Reading,
    Status,
)
from simulator.installation import Installation
from simulator.scenario import load

START_NS = 1_767_960_000_000_000_000  # 2026-01-09T12:00:00Z
SECOND_NS = 1_000_000_000
_SILENT = {"silent": BAD_TIMEOUT, "refused": BAD_NO_COMMUNICATION}


_Item = TypeVar("_Item")
_Made = TypeVar("_Made")


def each_played(play: Callable[[_Item], _Made], items: Sequence[_Item]) -> tuple[_Made, ...]:
    """What `play` makes of each, on as many processes as there are cores."""
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as pool:
        return tuple(pool.map(play, items, chunksize=8))


@dataclass(frozen=True)
class Polled:
    """One point that a machine's chain takes, and where it stands in its device."""

    name: str
    device: str
    address: int
    width: int
    bit: bool


class Bench:
    """One machine of a site on a scenario, stepped by hand."""

    def __init__(self, site: Site, machine: str, scenario_text: str, directory: Path) -> None:
        path = directory / f"episode-{os.getpid()}.yaml"
        path.write_text(scenario_text)
        self.installation = Installation(load(path))
        self.chain = Chain(site, machine)
        self._devices = self.installation.scenario.plant.devices
        self._points = [
            Polled(f"{device.name}.{p.name}", device.name, p.address, p.width, p.type == "bool")
            for device in site.file.devices
            for p in site.profile_of(device).points
            if f"{device.name}.{p.name}" in self.chain.points
        ]

    def readings(self, now: Instant) -> list[Reading]:
        """What one poll of all points brings now."""
        registers: dict[str, list[int]] = {}
        found = []
        for point in self._points:
            state = self.installation.state(point.device)
            if state in _SILENT:
                found.append(Reading(point.name, (), _SILENT[state], now))
                continue
            if point.device not in registers:
                registers[point.device] = self.installation.registers(self._devices[point.device])
            words = registers[point.device]
            if point.bit:
                value: tuple[int, ...] = (words[0] >> point.address & 1,)
            else:
                value = tuple(words[point.address : point.address + point.width])
            found.append(Reading(point.name, value, Status(GOOD), now))
        return found

    def run(
        self, until_s: float, step_s: float, begin_s: float = 0.0
    ) -> Iterator[tuple[float, Frame]]:
        """The Frames from `begin_s` to `until_s`, each with its scenario time."""
        steps = round((until_s - begin_s) / step_s)
        for k in range(1, steps + 1):
            time_s = begin_s + k * step_s
            self.installation.advance(time_s)
            ns = round(time_s * SECOND_NS)
            now = Instant(START_NS + ns, SECOND_NS + ns)
            yield time_s, self.chain.step(self.readings(now), now)
