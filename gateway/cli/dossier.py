"""`rotor-gateway dossier SITE ALARM`: everything about one activation of an alarm, in one file.

Reads the archive only, so it works while the gateway runs and after it died. Refuses an alarm that
never came, and an entry that is not this alarm's.
"""

import re
from collections import deque
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path
from typing import Final

import click

import gateway
from gateway.alarms.journal import JournalEntry
from gateway.archive.history import frames, history
from gateway.archive.journal_store import journal, journal_frame, verify
from gateway.archive.layout import StoreError
from gateway.cli.asked import alarm_of, duration_ns
from gateway.cli.options import fail, load_site, site_argument, state_of, state_option
from gateway.report import page
from gateway.report.case import Case, Origin, Plotted, tags_to_plot
from gateway.report.curve import thinned
from gateway.report.document import Document
from gateway.report.dossier import compose
from gateway.service.clock import now
from gateway.service.field_side import ARCHIVE
from gateway.site.alarm import Alarm
from gateway.site.installed import Site, TagDefinition
from gateway.tags import Frame

_S: Final = 1_000_000_000
_CLOSE_NS: Final = (10 * 60 * _S, 5 * 60 * _S)  # before and after, of the pictures from near
_ENTRIES_EACH_SIDE: Final = 30
_EARLIER_NS: Final = 60 * _S  # before the condition began, where a fault may have been known
_ROWS_MOST: Final = 5_000_000
_NEWEST_WITHIN_NS: Final = (60 * _S, 3600 * _S, 86_400 * _S, 2**62)


@click.command()
@site_argument
@click.argument("alarm")
@click.option(
    "-o",
    "out",
    metavar="FILE.html",
    type=click.Path(dir_okay=False, path_type=Path),
    help="[default: dossier-ALARM-NUMBER.html, unless only a PDF is asked for]",
)
@click.option(
    "--pdf",
    "pdf_path",
    metavar="FILE.pdf",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write a PDF with the same content.",
)
@click.option(
    "--entry", "number", type=click.IntRange(1), help="Journal entry.  [default: the newest]"
)
@click.option("--before", default="24 h", show_default=True, help="How much is drawn before it.")
@click.option("--after", default="2 h", show_default=True, help="How much is drawn after it.")
@state_option
def command(
    site_path: Path,
    alarm: str,
    out: Path | None,
    pdf_path: Path | None,
    number: int | None,
    before: str,
    after: str,
    state_dir: Path | None,
) -> None:
    """Write a dossier of the newest activation of an alarm, or of one journal entry.

    Local times in it are those of this computer; another zone can be set with TZ.
    """
    site = load_site(site_path)
    found = alarm_of(site, site_path, alarm)
    for named, suffix, option in ((out, ".pdf", "--pdf"), (pdf_path, ".html", "-o")):
        if named is not None and named.suffix.lower() == suffix:
            fail(f"{named}: a {suffix} file is written by {option}; name it there", 2)
    window_ns = duration_ns("--before", before), duration_ns("--after", after)
    path = state_of(site_path, state_dir) / ARCHIVE
    try:
        case = _case(site, found, path, number, window_ns)
    except StoreError as error:
        fail(str(error))
    document = compose(case)
    if out is None and pdf_path is None:
        out = Path(f"dossier-{re.sub(r'[^A-Za-z0-9_-]', '-', alarm)}-{case.entry.number}.html")
    _write(document, out, pdf_path)


def _write(document: Document, out: Path | None, pdf_path: Path | None) -> None:
    if out is not None:
        out.write_text(page.render(document), encoding="utf-8")
        click.echo(str(out))
    if pdf_path is not None:
        from gateway.report import pdf  # slow to load, and not always wanted

        pdf_path.write_bytes(pdf.render(document))
        click.echo(str(pdf_path))


def _case(
    site: Site, alarm: Alarm, path: Path, number: int | None, window_ns: tuple[int, int]
) -> Case:
    entry, around, left_out = _entries(path, alarm, number, window_ns)
    frame = journal_frame(path, entry.number)
    begun_ns = entry.utc_ns - round(alarm.on_delay * 1e9)
    earlier = _last(frames(path, alarm.machine, begun_ns - 2 * _EARLIER_NS, begun_ns - _EARLIER_NS))
    made_ns = now().utc_ns
    verdict = verify(path)
    held = f"{verdict.entries} entries, every one of them and its step checked by its hash"
    if verdict.broken is not None:
        held = f"NOT TO BE TRUSTED from entry {verdict.broken.number} on: {verdict.broken.why}"
    return Case(
        site,
        alarm,
        entry,
        around,
        left_out,
        frame,
        earlier,
        _newest(path, alarm.machine, made_ns),
        tuple(_plotted(site, alarm, path, entry, window_ns, made_ns)),
        Origin(
            str(path),
            site.digest,
            gateway.__version__,
            f"{verdict.head.number}:{verdict.head.hash.hex()}",
            held,
            made_ns,
        ),
        datetime.fromtimestamp(entry.utc_ns // _S).astimezone().tzinfo or UTC,
    )


def _entries(
    path: Path, alarm: Alarm, number: int | None, window_ns: tuple[int, int]
) -> tuple[JournalEntry, tuple[JournalEntry, ...], int]:
    """The activation, the machine's entries around it, and how many of those are left out."""
    chosen = None
    for entry in journal(path, -(2**62), 2**62):
        mine = entry.transition.alarm == alarm.name
        if entry.number == number and not mine:
            fail(f"journal entry {number} is one of {entry.transition.alarm}, not {alarm.name}", 2)
        if mine and (entry.number == number if number is not None else entry.is_activation):
            chosen = entry
    if chosen is None and number is not None:
        fail(
            f"archive {path} has no journal entry {number}; "
            "`rotor-gateway alarms SITE journal` lists them"
        )
    if chosen is None:
        fail(
            f"{alarm.name} has not come since the archive {path} was begun, so there is no dossier"
        )
    before: deque[JournalEntry] = deque(maxlen=_ENTRIES_EACH_SIDE)
    after: list[JournalEntry] = []
    count = 0
    for entry in journal(path, chosen.utc_ns - window_ns[0], chosen.utc_ns + window_ns[1]):
        if entry.machine != chosen.machine:
            continue
        count += 1
        if entry.number <= chosen.number:
            before.append(entry)
        elif len(after) < _ENTRIES_EACH_SIDE:
            after.append(entry)
    around = (*before, *after)
    return chosen, around, count - len(around)


def _plotted(
    site: Site,
    alarm: Alarm,
    path: Path,
    entry: JournalEntry,
    window_ns: tuple[int, int],
    made_ns: int,
) -> Iterator[Plotted]:
    """Each tag from far and from near; once where both are the same, or near is asked for."""
    for tag in tags_to_plot(site, alarm):
        windows = set()
        near = all(asked <= close for asked, close in zip(window_ns, _CLOSE_NS, strict=True))
        for before_ns, after_ns in (window_ns,) if near else (window_ns, _CLOSE_NS):
            since_ns = entry.utc_ns - before_ns
            until_ns = max(min(entry.utc_ns + after_ns, made_ns), entry.utc_ns + 10 * _S)
            plotted = _one(path, tag, entry.utc_ns, since_ns, until_ns)
            if plotted is not None and plotted.window not in windows:
                windows.add(plotted.window)
                yield plotted


def _one(
    path: Path, tag: TagDefinition, came_ns: int, since_ns: int, until_ns: int
) -> Plotted | None:
    """The tag over a window; where most of it lies before the tag's history, it is cut there."""
    rows = history(path, tag.tag, since_ns, until_ns, _ROWS_MOST)
    try:
        first = next(rows, None)
    except StoreError:
        return None  # the archive has never seen this tag
    cut = ""
    if first is not None and first.step_ns - since_ns > (came_ns - since_ns) // 2:
        since_ns = min(first.step_ns, came_ns - _S)
        cut = " (nothing is archived of it before)"
    every = chain([first] if first else [], rows)
    curve = thinned(((row.step_ns, row.sample) for row in every), since_ns, until_ns)
    window = f"from {_words(came_ns - since_ns)} before{cut} to {_words(until_ns - came_ns)} after"
    return Plotted(tag, curve, window)


def _words(duration_ns: int) -> str:
    seconds = duration_ns / _S
    for unit, length in (("h", 3600), ("min", 60)):
        if seconds >= length:
            return f"{seconds / length:.3g} {unit}"
    return f"{seconds:.3g} s"


def _last(found: Iterator[Frame]) -> Frame | None:
    newest: deque[Frame] = deque(found, maxlen=1)
    return newest[0] if newest else None


def _newest(path: Path, machine: str, made_ns: int) -> Frame | None:
    """The machine's newest archived step: looked for near first, a whole archive is long."""
    for within_ns in _NEWEST_WITHIN_NS:
        frame = _last(frames(path, machine, made_ns - within_ns, made_ns + 1))
        if frame is not None:
            return frame
    return None
