"""`rotor-gateway read SITE [TAG...]`: one poll, every step of every value side by side."""

import asyncio
import json
import os
from pathlib import Path
from typing import Any

import click

from gateway.chain import Chain
from gateway.cli.columns import print_columns
from gateway.cli.options import (
    fail,
    json_option,
    load_site,
    site_argument,
    state_of,
    state_option,
)
from gateway.field import Field
from gateway.report.numbers import with_uncertainty
from gateway.service.clock import now
from gateway.signals.registers import decode
from gateway.signals.sampling import loop_current_a
from gateway.site.explain import did_you_mean
from gateway.site.installed import Site, TagDefinition
from gateway.site.model import CurrentLoop, Signal
from gateway.tags import Reading, Sample


@click.command()
@site_argument
@click.argument("tags", metavar="[TAG...]", nargs=-1)
@state_option
@json_option
def command(site_path: Path, tags: tuple[str, ...], state_dir: Path | None, as_json: bool) -> None:
    """Poll once; show raw registers, loop current, value and status of all tags, or of some.

    Uses no filter and no hold time, and leaves a running gateway alone (on a serial line, stop
    the gateway first: two masters cannot share one). Exit code 1: a value is bad; what went wrong
    at which device is told on stderr.
    """
    site = load_site(site_path)
    known = {t.tag: t for t in site.tags}
    for tag in tags:
        if tag not in known:
            fail(f"there is no tag {tag!r} in {site_path}{did_you_mean(tag, known)}", 2)
    wanted = [known[tag] for tag in tags] or list(site.tags)
    # A relative serial line is taken from the state directory.
    directory = state_of(site_path, state_dir)
    if directory.is_dir():
        os.chdir(directory)
    rows, troubles = asyncio.run(_rows(site, wanted))
    if as_json:
        click.echo(json.dumps(rows, indent=1, ensure_ascii=False))
    else:
        _print(rows)
    for trouble in troubles:
        click.echo(trouble, err=True)
    if any(row["severity"] == "Bad" for row in rows):
        raise SystemExit(1)


async def _rows(site: Site, wanted: list[TagDefinition]) -> tuple[list[dict[str, Any]], list[str]]:
    """A row a tag, and what devices failed to say."""
    chains = [Chain(site, name) for name in dict.fromkeys(t.machine for t in wanted)]
    field = Field(site, now, lambda readings: None)
    readings = await field.read_once({point for chain in chains for point in chain.points})
    by_point = {reading.point: reading for reading in readings}
    signals = {signal.tag: signal for signal in site.file.signals}
    samples = {s.tag: s for chain in chains for s in chain.step(readings, now()).samples}
    rows = [_row(site, t, samples[t.tag], signals.get(t.tag), by_point) for t in wanted]
    return rows, [report.last_error for report in field.reports() if report.failed]


def _row(
    site: Site,
    definition: TagDefinition,
    sample: Sample,
    signal: Signal | None,
    readings: dict[str, Reading],
) -> dict[str, Any]:
    reading = readings.get(signal.point) if signal else None
    return {
        "tag": sample.tag,
        "point": signal.point if signal else "computed",
        "registers": [f"{word:04X}" for word in reading.words] if reading else [],
        "loop_mA": _loop_ma(site, signal, reading),
        "value": sample.value,
        "unit": definition.unit.name if definition.unit else "",
        "standard_uncertainty": sample.uncertainty,
        "severity": sample.status.severity,
        "status": sample.status.name,
    }


def _loop_ma(site: Site, signal: Signal | None, reading: Reading | None) -> float | None:
    if not isinstance(signal, CurrentLoop) or reading is None or not reading.words:
        return None
    raw = decode(site.point_of(signal), reading.words)
    return None if raw is None else round(loop_current_a(signal, raw) * 1e3, 4)


def _print(rows: list[dict[str, Any]]) -> None:
    shown = [("TAG", "POINT", "REGISTERS", "mA", "VALUE ± STANDARD UNCERTAINTY", "UNIT", "STATUS")]
    for row in rows:
        value = row["value"]
        number = "-" if value is None else str(value)
        if isinstance(value, float):
            number = with_uncertainty(value, row["standard_uncertainty"])
        current = "" if row["loop_mA"] is None else f"{row['loop_mA']:.3f}"
        words = " ".join(row["registers"])
        shown.append((row["tag"], row["point"], words, current, number, row["unit"], row["status"]))
    print_columns(shown)
