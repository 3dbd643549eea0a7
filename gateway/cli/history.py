"""`rotor-gateway history SITE TAG --since ...`: archived values with quality and time."""

import csv
import json
import sys
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

import click

from gateway.archive.history import history
from gateway.archive.layout import StoreError
from gateway.archive.time_spec import moment_ns
from gateway.cli.options import (
    fail,
    json_option,
    load_site,
    site_argument,
    state_of,
    state_option,
)
from gateway.service.clock import now
from gateway.service.field_side import ARCHIVE
from gateway.site.explain import did_you_mean
from gateway.tags import Sample


@click.command()
@site_argument
@click.argument("tag")
@click.option("--since", default="1 h", show_default=True, help="'2 h' ago, or an RFC 3339 time.")
@click.option("--until", default=None, help="Likewise.  [default: now]")
@click.option("--limit", type=click.IntRange(1), default=100_000, show_default=True)
@state_option
@json_option
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV.")
def command(
    site_path: Path,
    tag: str,
    since: str,
    until: str | None,
    limit: int,
    state_dir: Path | None,
    as_json: bool,
    as_csv: bool,
) -> None:
    """Print what the archive has of a tag: a row for each change, and one a minute at least."""
    site = load_site(site_path)
    known = {t.tag: t for t in site.tags}
    if tag not in known:
        fail(f"there is no tag {tag!r} in {site_path}{did_you_mean(tag, known)}", 2)
    moment = now().utc_ns
    try:
        since_ns = moment_ns(since, moment)
        until_ns = moment_ns(until, moment) if until else moment
    except ValueError as error:
        fail(str(error), 2)
    unit = known[tag].unit
    path = state_of(site_path, state_dir) / ARCHIVE
    try:
        samples = history(path, tag, since_ns, until_ns, limit)
        _print(samples, unit.name if unit else "", as_json, as_csv)
    except StoreError as error:
        fail(str(error))


def _print(samples: Iterable[Sample], unit: str, as_json: bool, as_csv: bool) -> None:
    columns = ("time", "value", "unit", "standard_uncertainty", "status")
    writer = csv.writer(sys.stdout, lineterminator="\n")
    if as_csv:
        writer.writerow(columns)
    for sample in samples:
        time = timestamp(sample.time_ns)
        row = (time, sample.value, unit, sample.uncertainty, sample.status.name)
        if as_json:
            click.echo(json.dumps(dict(zip(columns, row, strict=True))))
        elif as_csv:
            writer.writerow(row)
        else:
            value = "-" if sample.value is None else f"{sample.value:g}"
            click.echo(f"{time}  {value:>12} {unit:<6} {sample.status.name}")


def timestamp(time_ns: int) -> str:
    """RFC 3339, UTC, milliseconds; a dash where nothing was measured yet."""
    if time_ns == 0:
        return "-"
    moment = datetime.fromtimestamp(time_ns / 1e9, UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
