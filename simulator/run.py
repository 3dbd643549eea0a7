"""Serve a scenario until it is stopped: the simulator's door.

It refuses a first port or a speed out of range, and to run on when one of its ports is taken.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections import defaultdict
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path

from pymodbus import pymodbus_apply_logging_config

from simulator.devices import RtuUnits, TcpPort
from simulator.installation import Installation
from simulator.line import PtyLine, SimulatorError
from simulator.plant import Device
from simulator.scenario import Scenario, ScenarioError, load

__all__ = ["Scenario", "ScenarioError", "SimulatorError", "load", "run"]

_TICK_S = 0.05
# Above this a machine with ramps takes more than the computer can give.
_FASTEST = 500.0


@dataclass(frozen=True, slots=True)
class ScenarioClock:
    """Scenario seconds since the start, `speed` times as fast as the monotonic clock."""

    speed: float
    started_s: float = field(default_factory=time.monotonic)

    def now_s(self) -> float:
        """Return the scenario time in seconds."""
        return (time.monotonic() - self.started_s) * self.speed


async def run(
    scenario: Scenario, *, port_base: int, line_dir: Path, speed: float, stop: asyncio.Event
) -> None:
    """Serve a scenario's devices until `stop` is set or the scenario's duration has passed.

    TCP devices listen on 127.0.0.1 at `port_base` plus their offset; each RTU line is a symbolic
    link in `line_dir` with the line's name. `speed` multiplies scenario time. Raises
    SimulatorError with a text for people when a port or line cannot be had.
    """
    _refuse_bad_arguments(scenario, port_base, speed)
    pymodbus_apply_logging_config(logging.CRITICAL)
    installation = Installation(scenario)
    clock = ScenarioClock(speed)
    async with AsyncExitStack() as opened:
        ports = []
        for offset, devices in _by_port(scenario).items():
            port = TcpPort(installation, devices, port_base + offset, clock)
            opened.push_async_callback(port.close)
            await port.follow()
            ports.append(port)
        lines = {}
        for name, line in scenario.plant.lines.items():
            seed = f"{scenario.seed}/line/{name}"
            pty = opened.enter_context(PtyLine(line_dir / name, baud=line.baud, seed=seed))
            on_line = [d for d in scenario.plant.devices.values() if d.line == name]
            units = RtuUnits(installation, on_line, line.baud, clock)
            opened.push_async_callback(units.close)
            await units.open(pty.device_path)
            lines[name] = pty
        while not stop.is_set():
            now_s = clock.now_s()
            if scenario.duration_s is not None and now_s >= scenario.duration_s:
                return
            installation.advance(now_s)
            for name, pty in lines.items():
                pty.damage(installation.bit_flips(name))
            for port in ports:
                await port.follow()
            with suppress(TimeoutError):
                async with asyncio.timeout(_TICK_S):
                    await stop.wait()


def _by_port(scenario: Scenario) -> dict[int, list[Device]]:
    found: defaultdict[int, list[Device]] = defaultdict(list)
    for device in scenario.plant.devices.values():
        if device.tcp_offset is not None:
            found[device.tcp_offset].append(device)
    return found


def _refuse_bad_arguments(scenario: Scenario, port_base: int, speed: float) -> None:
    if not 0 < speed <= _FASTEST:
        raise SimulatorError(
            f"speed {speed:g} is out of range; give a number above 0 and up to {_FASTEST:g}"
        )
    last = port_base + max(_by_port(scenario), default=0)
    if not (1 <= port_base and last <= 65535):
        raise SimulatorError(
            f"first port {port_base} would need ports up to {last}; give one from 1024 to "
            f"{65535 - last + port_base}"
        )
