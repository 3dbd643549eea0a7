"""`rotor-gateway history SITE TAG --since ...`: archived values with quality and time."""

import csv
import json
import sys
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import click

from gateway.archive.history import Archived, history
from gateway.archive.layout import StoreError
from gateway.cli.asked import window_ns
from gateway.cli.options import (
    fail,
    json_option,
    load_site,
    site_argument,
    state_of,
    state_option,
)
from gateway.report.numbers import with_uncertainty
from gateway.service.field_side import ARCHIVE
from gateway.site.explain import did_you_mean
from gateway.tags import Sample

_HEAD: Final = "VALUE ± STANDARD UNCERTAINTY"
_LINE: Final = "{:<24}  {:>28} {:<5}  {:<39}  {}"


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
    """Print what the archive has of a tag: a row for each change, and one a minute at least.

    A row holds from its first time until the next row; its last time is that of the measurement.
    """
    site = load_site(site_path)
    known = {t.tag: t for t in site.tags}
    if tag not in known:
        fail(f"there is no tag {tag!r} in {site_path}{did_you_mean(tag, known)}", 2)
    since_ns, until_ns = window_ns(since, until)
    unit = known[tag].unit
    path = state_of(site_path, state_dir) / ARCHIVE
    try:
        rows = history(path, tag, since_ns, until_ns, limit)
        if not _print(rows, unit.name if unit else "", as_json, as_csv):
            window = f"from {timestamp(since_ns)} until {timestamp(until_ns)}"
            click.echo(f"{tag}: nothing archived {window}", err=True)
    except StoreError as error:
        fail(str(error))


def _print(archived: Iterable[Archived], unit: str, as_json: bool, as_csv: bool) -> int:
    """How many rows there were. They are printed as they come: there may be very many."""
    columns = ("time", "value", "unit", "standard_uncertainty", "status", "measured")
    writer = csv.writer(sys.stdout, lineterminator="\n")
    count = 0
    for count, row in enumerate(archived, 1):
        sample = row.sample
        time, measured = timestamp(row.step_ns), timestamp(sample.time_ns)
        fields = (time, sample.value, unit, sample.uncertainty, sample.status.name, measured)
        if as_json:
            text = json.dumps(dict(zip(columns, fields, strict=True)))
            click.echo(f"{'[' if count == 1 else ','}\n {text}", nl=False)
        elif as_csv:
            if count == 1:
                writer.writerow(columns)
            writer.writerow(fields)
        else:
            if count == 1:
                click.echo(_LINE.format("TIME", _HEAD, "UNIT", "STATUS", "MEASURED"))
            click.echo(_LINE.format(time, _number(sample), unit, sample.status.name, measured))
    if as_json:
        click.echo("\n]" if count else "[]")
    elif as_csv and not count:
        writer.writerow(columns)
    sys.stdout.flush()
    return count


def _number(sample: Sample) -> str:
    if sample.value is None:
        return "-"
    if isinstance(sample.value, bool):
        return str(sample.value)
    return with_uncertainty(sample.value, sample.uncertainty)


def timestamp(time_ns: int) -> str:
    """RFC 3339, UTC, milliseconds; a dash where nothing was measured yet."""
    if time_ns == 0:
        return "-"
    moment = datetime.fromtimestamp(time_ns / 1e9, UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
