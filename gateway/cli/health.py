"""`rotor-gateway health SITE [MACHINE]`: how the monitoring itself is, in the words of NE 107.

Of each link, device, loop, contact, value and machine: its status signal, what is wrong since when,
what that means and what to do, and when it last proved that it could see a fault. Refuses to call
well what nobody has proved.
"""

import json
from collections.abc import Collection, Iterable, Iterator
from pathlib import Path
from typing import Any, Final

import click

from gateway.cli.asked import running
from gateway.cli.columns import print_columns
from gateway.cli.history import timestamp
from gateway.cli.newest import newest_frames, no_word
from gateway.cli.options import (
    fail,
    json_option,
    load_site,
    site_argument,
    state_of,
    state_option,
)
from gateway.diagnosis.causes import CAUSES
from gateway.diagnosis.caution import CAUTION
from gateway.diagnosis.proof import ProofWatch
from gateway.report.words import age
from gateway.service.wall import WALL
from gateway.site.explain import did_you_mean
from gateway.site.installed import Site
from gateway.tags import Finding, Frame, HealthRecord, StatusSignal, Subject

_HEAD: Final = ("SUBJECT", "KIND", "SIGNAL", "PROVED")


@click.command()
@site_argument
@click.argument("machine", required=False)
@state_option
@json_option
def command(site_path: Path, machine: str | None, state_dir: Path | None, as_json: bool) -> None:
    """Tell how the monitoring of all machines, or of one, and the gateway itself are.

    PROVED: when what an earth-fault alarm rests on last proved that it could see a fault.
    """
    site = load_site(site_path)
    names = [m.name for m in site.file.machines]
    if machine is not None and machine not in names:
        fail(f"there is no machine {machine!r} in {site_path}{did_you_mean(machine, names)}", 2)
    wall = running(state_of(site_path, state_dir) / WALL)
    asked = [n for n in names if machine in (None, n)]
    frames = {n: f for n, f in newest_frames(site, wall).items() if n in asked}
    if as_json:
        told = [_plain(site, frame) for frame in frames.values()]
        click.echo(json.dumps(told, indent=1))
    elif frames:
        for frame in frames.values():
            _print(site, frame)
        _print_gateway(frames.values())
        click.echo(CAUTION)
    missing = [n for n in asked if n not in frames]
    if missing:
        fail(no_word(missing, wall))


def worst(records: Iterable[HealthRecord]) -> str:
    """The worst status signal, with the first subject and cause that has it, and how many more."""
    found = list(records)
    if not found:
        return "not known"
    signal = StatusSignal.NORMAL.worst(*(r.signal for r in found))
    if signal is StatusSignal.NORMAL:
        return signal.value
    first, *others = (r for r in found if r.signal is signal)
    cause = next((f.cause for f in first.findings if _signal(f, first) is signal), "")
    more = f" (and {len(others)} more)" if others else ""
    return f"{signal.value}: {first.subject}{f', {cause}' if cause else ''}{more}"


def sick(records: Iterable[HealthRecord], now_ns: int) -> Iterator[str]:
    """A line for each finding; what it means and what to do once, below the first of its cause."""
    told: set[str] = set()
    for record in records:
        for finding in record.findings:
            cause = CAUSES.get(finding.cause)
            figures = f": {finding.detail}" if finding.detail else ""
            yield (
                f"{record.subject}: {_signal(finding, record).value}, {finding.cause} since "
                f"{timestamp(finding.since_ns)} ({age(finding.since_ns, now_ns)}){figures}"
            )
            if cause is not None and finding.cause not in told:
                told.add(finding.cause)
                yield f"    {cause.meaning}; {cause.advice}"


def proved(record: HealthRecord, channels: Collection[str], now_ns: int) -> str:
    """When it last proved that it could see a fault; '-' for what no fault alarm rests on."""
    if record.proved_ns:
        by = f" by {record.proof}" if record.proof else ""
        return f"proved {age(record.proved_ns, now_ns)} ago{by}"
    return "never proved" if record.subject in channels else "-"


def plain(record: HealthRecord, channels: Collection[str], now_ns: int) -> dict[str, Any]:
    """A record as JSON has it."""
    return {
        "subject": record.subject,
        "kind": record.kind.value,
        "signal": record.signal.value,
        "findings": [
            {
                "cause": f.cause,
                "signal": _signal(f, record).value,
                "since": timestamp(f.since_ns),
                "detail": f.detail,
                "meaning": CAUSES[f.cause].meaning if f.cause in CAUSES else "",
                "advice": CAUSES[f.cause].advice if f.cause in CAUSES else "",
            }
            for f in record.findings
        ],
        "proved": proved(record, channels, now_ns),
        "proved_at": timestamp(record.proved_ns),
    }


def channels_of(site: Site, machine: str) -> tuple[str, ...]:
    """The tags that earth-fault alarms rest on, which have to prove that they see a fault."""
    return ProofWatch(site, machine).channels


def _signal(finding: Finding, record: HealthRecord) -> StatusSignal:
    cause = CAUSES.get(finding.cause)
    return record.signal if cause is None else cause.signal


def _plain(site: Site, frame: Frame) -> dict[str, Any]:
    channels, now_ns = channels_of(site, frame.machine), frame.at.utc_ns
    return {
        "machine": frame.machine,
        "time": timestamp(now_ns),
        "health": [plain(r, channels, now_ns) for r in frame.health],
    }


def _print(site: Site, frame: Frame) -> None:
    records = [r for r in frame.health if r.kind is not Subject.GATEWAY]
    channels, now_ns = channels_of(site, frame.machine), frame.at.utc_ns
    click.echo(f"{frame.machine}, {timestamp(now_ns)}: {worst(records)}")
    rows = [(r.subject, r.kind.value, r.signal.value, proved(r, channels, now_ns)) for r in records]
    print_columns([_HEAD, *rows])
    for line in sick(records, now_ns):
        click.echo(line)
    click.echo()


def _print_gateway(frames: Collection[Frame]) -> None:
    """The gateway once: what several machines' steps found of it alike is one finding."""
    records = [r for frame in frames for r in frame.health if r.kind is Subject.GATEWAY]
    found: dict[tuple[str, str], Finding] = {}
    for finding in (f for r in records for f in r.findings):
        key = (finding.cause, finding.detail)
        if key not in found or finding.since_ns < found[key].since_ns:
            found[key] = finding
    signal = StatusSignal.NORMAL.worst(*(r.signal for r in records))
    one = HealthRecord("gateway", Subject.GATEWAY, signal, tuple(found.values()))
    click.echo(f"gateway: {signal.value if records else 'not known'}")
    for line in sick([one], max(f.at.utc_ns for f in frames)):
        click.echo(line)
    click.echo()
