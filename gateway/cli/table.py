"""The live table of the demo: machine, resistance, location, voltage, status, health, alarms."""

import asyncio
import contextlib
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from rich import box
from rich.console import Console
from rich.live import Live
from rich.table import Table

from gateway.cli.health import worst
from gateway.report.numbers import with_uncertainty
from gateway.serve.outlet import lost_after_s
from gateway.service.wall import WallClient
from gateway.site.installed import Site
from gateway.site.model import Machine
from gateway.tags import AlarmRecord, AlarmState, Conclusion, Frame, Limit, Sample

_REFRESH_S = 0.5  # common practice, no source
_PLAIN_REFRESH_S = 5.0  # lines, where the output is no terminal


@dataclass(frozen=True, slots=True)
class Row:
    """One machine as it is shown, all text. Status and health are the worst of what it has."""

    machine: str
    fault_resistance: str
    fault_location: str
    field_voltage: str
    status: str
    health: str
    alarms: tuple[str, ...]


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
                live.update(table_of(rows), refresh=True)
            elif frames:
                for row in rows:
                    console.print(_line(row), highlight=False, soft_wrap=True)
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), refresh_s if frames else _REFRESH_S)


def row_of(site: Site, machine: Machine, newest: tuple[Frame, float] | None) -> Row:
    """A machine as its newest Frame tells, which arrived at a time on the monotonic clock [s]."""
    if newest is None:
        return Row(machine.name, "-", "-", "-", "waiting for the first values", "-", ())
    frame, arrived_s = newest
    samples = {s.tag: s for s in frame.samples}
    units = {t.tag: t.unit.display if t.unit else "" for t in site.tags_of(machine.name)}
    injection = machine.pulse_injection
    resistance = samples.get(injection.fault_resistance.tag) if injection else None
    location = samples.get(injection.fault_location.tag) if injection else None
    voltage = samples.get(machine.field_winding.field_voltage or "")
    status = _worst(machine, frame, [s for s in (resistance, voltage) if s], location)
    if time.monotonic() - arrived_s > lost_after_s(machine):
        status = "no news from the field side"
    concluded = {e.alarm: e.conclusion for e in frame.evidence}
    alarms = [
        _alarm(a, machine, concluded.get(a.alarm))
        for a in frame.alarms
        if a.state is not AlarmState.NORMAL
    ]
    unknown = [a.alarm.removeprefix(machine.name + ".") for a in frame.alarms if not a.judged]
    if unknown:
        alarms.append(f"cannot be judged now: {', '.join(unknown)}")
    not_told = "not measured" if injection is None else "-"
    return Row(
        machine.name,
        _resistance(resistance, units) if resistance else not_told,
        _location(location) if location else not_told,
        _value(voltage, units) if voltage else "-",
        status,
        worst(frame.health),
        tuple(alarms) or ("no alarm",),
    )


def _alarm(record: AlarmRecord, machine: Machine, conclusion: Conclusion | None) -> str:
    """Its name, its state, and what its evidence comes to, or came to while it was present."""
    was = "" if record.present else "was "
    believed = f"; {was}{conclusion}" if conclusion else ""
    return f"{record.alarm.removeprefix(machine.name + '.')} ({record.state}{believed})"


def _worst(machine: Machine, frame: Frame, shown: list[Sample], location: Sample | None) -> str:
    """The worst status, with its tag if no column shows it; at equality that of a column.

    Without the location, which nobody can tell of a sound rotor.
    """
    others = [s for s in frame.samples if s is not location and s not in shown]
    worst = max((*shown, *others), key=lambda s: s.status >> 30, default=None)
    if worst is None:
        return "-"
    if worst in shown or worst.status.is_good:
        return worst.status.name
    return f"{worst.status.name}: {worst.tag.removeprefix(machine.name + '.')}"


def _resistance(sample: Sample, units: dict[str, str]) -> str:
    bound = {Limit.HIGH: "at least ", Limit.LOW: "at most "}.get(sample.status.limit, "")
    return bound + _value(sample, units)


def _location(sample: Sample) -> str:
    if sample.value is None:
        return "-"
    if sample.uncertainty and sample.uncertainty > 25:
        return "cannot be told"
    return f"{_expanded(sample)} %"


def _value(sample: Sample, units: dict[str, str]) -> str:
    if sample.value is None:
        return "-"
    return f"{_expanded(sample)} {units[sample.tag]}"


def _expanded(sample: Sample) -> str:
    return with_uncertainty(sample.value or 0.0, sample.uncertainty and 2 * sample.uncertainty)


def table_of(rows: list[Row]) -> Table:
    """Fits a terminal of 80 columns: what is long stands below each other in the last column."""
    caption = "± is the expanded uncertainty (k = 2); location from the negative end"
    table = Table(
        caption=caption, box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False, pad_edge=False
    )
    table.add_column("Machine", no_wrap=True)
    for head in ("Fault\nresistance", "Fault\nlocation", "Field\nvoltage"):
        table.add_column(head)
    table.add_column("Worst status of its tags; health; alarms", overflow="fold", ratio=1)
    for row in rows:
        last = "\n".join((row.status, f"health {row.health}", *row.alarms))
        resistance = row.fault_resistance.replace("at least ", "at least\n")
        table.add_row(row.machine, resistance, row.fault_location, row.field_voltage, last)
    return table


def _line(row: Row) -> str:
    return (
        f"{row.machine}: resistance {row.fault_resistance}, location {row.fault_location}, "
        f"field voltage {row.field_voltage}, worst status {row.status}, health {row.health}, "
        f"{', '.join(row.alarms)}"
    )
