"""`rotor-gateway replay FILE SITE`: a recorded day through the chains of a site again.

With the site that was recorded the journal must be the same, byte for byte; with another one a
table tells what would have differed.
"""

import json
import sys
import time
from contextlib import ExitStack
from dataclasses import asdict
from pathlib import Path
from typing import Final

import click

import gateway
from gateway.alarms.journal import JournalEntry
from gateway.cli.history import timestamp
from gateway.cli.options import fail, json_option, load_site, site_argument
from gateway.replay.capture import Capture, CaptureError, opened
from gateway.replay.rerun import Outcome, Tally, WhatIf, rerun

_TOLD_EVERY_S: Final = 5.0
_COLUMNS: Final = "{:<{}}  {:>8} {:>24} {:>12}  {:>8} {:>24} {:>12}  {}"


@click.command()
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@site_argument
@json_option
@click.option(
    "--journal",
    "journal_path",
    metavar="OUT",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write the journal of the replay, an entry a line.",
)
def command(file: Path, site_path: Path, as_json: bool, journal_path: Path | None) -> None:
    """Replay a capture through a site file and compare the alarm journals.

    With the site file that was recorded, exit code 0 says that both journals are the same bytes.
    With a changed one, a table says which alarms would have come, gone or moved.
    """
    site = load_site(site_path)
    try:
        with opened(file) as capture, ExitStack() as stack:
            out = stack.enter_context(journal_path.open("wb")) if journal_path else None

            def write(entry: JournalEntry) -> None:
                if out is not None:
                    out.write(entry.encode() + b"\n")

            outcome = rerun(capture, site, write, _Progress(capture).passed)
    except CaptureError as error:
        fail(str(error))
    same_site = capture.header.digest == site.digest
    for text in _warnings(capture, outcome):
        click.echo(text, err=True)
    if as_json:
        click.echo(json.dumps(_plain(capture, outcome, same_site), indent=1))
    else:
        _print(capture, outcome, same_site)
    if same_site and not outcome.identical:
        sys.exit(1)


class _Progress:
    """Now and then a line on stderr, so that a long replay is seen to go on."""

    def __init__(self, capture: Capture) -> None:
        self._capture = capture
        self._told_s = time.monotonic()

    def passed(self, steps: int, utc_ns: int) -> None:
        if time.monotonic() - self._told_s < _TOLD_EVERY_S:
            return
        self._told_s = time.monotonic()
        share = f"{100 * self._capture.share:.0f} %"
        click.echo(f"{share}: {steps} steps, until {timestamp(utc_ns)}", err=True)


def _warnings(capture: Capture, outcome: Outcome) -> list[str]:
    header = capture.header
    told = [f"the site has no machine {m}; its steps were passed over" for m in outcome.missing]
    told += outcome.lost
    if header.software != gateway.__version__:
        told.append(
            f"recorded with version {header.software}, replayed with {gateway.__version__}: "
            "differences may come from that"
        )
    return told


def _print(capture: Capture, outcome: Outcome, same_site: bool) -> None:
    header = capture.header
    window = f"{timestamp(header.since_ns)} until {timestamp(header.until_ns)}"
    click.echo(f"{header.site}: {outcome.steps} steps from {window}")
    if same_site:
        if outcome.identical:
            click.echo(f"identical: {outcome.recorded} entries")
        else:
            click.echo(
                f"different: {outcome.recorded} entries recorded, {outcome.replayed} replayed; "
                f"the first difference is: {outcome.difference}"
            )
        return
    click.echo("the site file is not the one that was recorded; what would have differed:")
    width = max((len(w.alarm) for w in outcome.alarms), default=5)
    head = ("ALARM", width, "RECORDED", "FIRST", "ON", "REPLAYED", "FIRST", "ON", "DIFFERENCE")
    click.echo(_COLUMNS.format(*head))
    for row in outcome.alarms:
        cells = (*_cells(row.recorded), *_cells(row.replayed))
        click.echo(_COLUMNS.format(row.alarm, width, *cells, row.verdict))


def _cells(tally: Tally | None) -> tuple[str, str, str]:
    if tally is None:
        return "-", "-", "-"
    return str(tally.activations), timestamp(tally.first_ns), f"{tally.active_ns / 1e9:.1f} s"


def _plain(capture: Capture, outcome: Outcome, same_site: bool) -> dict[str, object]:
    return {
        "site": capture.header.site,
        "since": timestamp(capture.header.since_ns),
        "until": timestamp(capture.header.until_ns),
        "steps": outcome.steps,
        "same_site": same_site,
        "identical": outcome.identical,
        "entries_recorded": outcome.recorded,
        "entries_replayed": outcome.replayed,
        "first_difference": outcome.difference or None,
        "alarms": [_row(row) for row in outcome.alarms],
        "machines_missing": list(outcome.missing),
    }


def _row(row: WhatIf) -> dict[str, object]:
    sides = {"recorded": row.recorded, "replayed": row.replayed}
    return {
        "alarm": row.alarm,
        "difference": row.verdict,
        **{side: None if tally is None else asdict(tally) for side, tally in sides.items()},
    }
