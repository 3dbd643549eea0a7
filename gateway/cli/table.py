"""The live table of the demo: machine, resistance, location, field voltage, status, alarms."""

import asyncio
import contextlib
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.live import Live
from rich.table import Table

from gateway.serve.outlet import lost_after_s
from gateway.service.wall import WallClient
from gateway.site.installed import Site
from gateway.site.model import Machine
from gateway.tags import AlarmState, Frame, Limit, Sample

_REFRESH_S = 0.5  # common practice, no source
_PLAIN_REFRESH_S = 5.0  # lines, where the output is no terminal


@dataclass(frozen=True, slots=True)
class Row:
    """One machine as it is shown, all text."""

    machine: str
    fault_resistance: str
    fault_location: str
    field_voltage: str
    status: str
    alarms: str


async def live_table(
    site: Site, wall: Path, duration_s: float | None, shown: bool, stop: asyncio.Event
) -> None:
    """Draw the table until `stop` is set or the duration is over."""
    frames: dict[str, tuple[Frame, float]] = {}

    def take(frame: Frame) -> None:
        frames[frame.machine] = (frame, time.monotonic())

    reading = asyncio.create_task(WallClient(wall).run(take, lambda report: None))
    try:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(_draw(site, frames, shown, stop), duration_s)
    finally:
        reading.cancel()


async def _draw(
    site: Site, frames: dict[str, tuple[Frame, float]], shown: bool, stop: asyncio.Event
) -> None:
    if not shown:
        await stop.wait()
        return
    console = Console()
    live = Live(console=console, auto_refresh=False) if sys.stdout.isatty() else None
    refresh_s = _REFRESH_S if live else _PLAIN_REFRESH_S
    with live or contextlib.nullcontext():
        while not stop.is_set():
            rows = [row_of(site, m, frames.get(m.name)) for m in site.file.machines]
            if live:
                live.update(_table(rows), refresh=True)
            elif frames:
                for row in rows:
                    console.print(_line(row), highlight=False, soft_wrap=True)
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), refresh_s if frames else _REFRESH_S)


def row_of(site: Site, machine: Machine, newest: tuple[Frame, float] | None) -> Row:
    """A machine as its newest Frame tells, which arrived at a time on the monotonic clock [s]."""
    if newest is None:
        return Row(machine.name, "-", "-", "-", "waiting for the first values", "")
    frame, arrived_s = newest
    samples = {s.tag: s for s in frame.samples}
    units = {t.tag: t.unit.display if t.unit else "" for t in site.tags_of(machine.name)}
    injection = machine.pulse_injection
    resistance = samples.get(injection.fault_resistance.tag) if injection else None
    location = samples.get(injection.fault_location.tag) if injection else None
    voltage = samples.get(machine.field_winding.field_voltage or "")
    shown = [s for s in (resistance, voltage) if s is not None]
    status = max(shown, key=lambda s: s.status >> 30).status.name if shown else "-"
    if time.monotonic() - arrived_s > lost_after_s(machine):
        status = "no news from the field side"
    alarms = [
        f"{a.alarm.removeprefix(machine.name + '.')} ({a.state})"
        for a in frame.alarms
        if a.state is not AlarmState.NORMAL
    ]
    not_told = "not measured" if injection is None else "-"
    return Row(
        machine.name,
        _resistance(resistance, units) if resistance else not_told,
        _location(location) if location else not_told,
        _value(voltage, units) if voltage else "-",
        status,
        ", ".join(alarms) or "none",
    )


def _resistance(sample: Sample, units: dict[str, str]) -> str:
    bound = {Limit.HIGH: "at least ", Limit.LOW: "at most "}.get(sample.status.limit, "")
    return bound + _value(sample, units)


def _location(sample: Sample) -> str:
    if sample.value is None:
        return "-"
    if sample.uncertainty and sample.uncertainty > 25:
        return "cannot be told"
    spread = f" ± {2 * sample.uncertainty:.2g}" if sample.uncertainty else ""
    return f"{sample.value:.1f}{spread} %"


def _value(sample: Sample, units: dict[str, str]) -> str:
    if sample.value is None:
        return "-"
    spread = f" ± {2 * sample.uncertainty:.2g}" if sample.uncertainty else ""
    return f"{sample.value:.4g}{spread} {units[sample.tag]}"


def _table(rows: list[Row]) -> Table:
    table = Table(caption="± is the expanded uncertainty (k = 2); location from the negative end")
    for head in ("Machine", "Fault resistance", "Fault location", "Field voltage"):
        table.add_column(head, no_wrap=True)
    table.add_column("Status")
    table.add_column("Alarms")
    for row in rows:
        table.add_row(
            row.machine,
            row.fault_resistance,
            row.fault_location,
            row.field_voltage,
            row.status,
            row.alarms,
        )
    return table


def _line(row: Row) -> str:
    return (
        f"{row.machine}: resistance {row.fault_resistance}, location {row.fault_location}, "
        f"field voltage {row.field_voltage}, status {row.status}, alarms {row.alarms}"
    )
