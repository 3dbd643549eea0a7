"""`rotor-gateway record SITE -o FILE`: what went into the chains, from the archive into one file.

Works while the gateway runs or is stopped. Refuses a window of which the archive no longer has the
chain's state before it or every step in it.
"""

from collections.abc import Iterator
from itertools import chain
from pathlib import Path

import click

import gateway
from gateway.archive.history import checkpoint, frames, machines, steps
from gateway.archive.journal_store import journal
from gateway.archive.layout import StoreError
from gateway.cli.asked import window_ns
from gateway.cli.history import timestamp
from gateway.cli.options import fail, load_site, site_argument, state_of, state_option
from gateway.replay.capture import (
    FORMAT,
    VERSION,
    Beginning,
    Header,
    Part,
    step_of,
    writing,
)
from gateway.service.field_side import ARCHIVE
from gateway.site.installed import Site
from gateway.tags import Frame

_LOOKED_AT_EVERY = 50  # steps between two looks for a saved state that the archive still has


@click.command()
@site_argument
@click.option(
    "-o",
    "out",
    required=True,
    metavar="FILE",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The capture; packed if its name ends in .gz.",
)
@click.option("--since", default="1 h", show_default=True, help="'2 h' ago, or an RFC 3339 time.")
@click.option("--until", default=None, help="Likewise.  [default: now]")
@state_option
def command(
    site_path: Path, out: Path, since: str, until: str | None, state_dir: Path | None
) -> None:
    """Write all readings, orders and journal entries of a time into a capture, to be replayed.

    A replay has to begin with what the chains remembered, so a capture begins some minutes before
    the time asked for.
    """
    site = load_site(site_path)
    path = state_of(site_path, state_dir) / ARCHIVE
    since_ns, until_ns = window_ns(since, until)
    try:
        counts = _record(site, path, out, since_ns, until_ns)
    except StoreError as error:
        fail(str(error))
    click.echo(counts)


def _record(site: Site, path: Path, out: Path, since_ns: int, until_ns: int) -> str:
    begun = {
        machine: found
        for machine in machines(path)
        if (found := _beginning(path, machine, since_ns, until_ns)) is not None
    }
    if not begun:
        fail(
            f"archive {path} has nothing from {timestamp(since_ns)} until {timestamp(until_ns)} "
            "that could be replayed; name another time with --since and --until"
        )
    from_ns = min(begins_ns for _, begins_ns in begun.values())
    # Entries are numbered over all machines, so all machines have to be there from one time on.
    whole_ns = max(since_ns, *(begins_ns for _, begins_ns in begun.values()))
    entries = journal(path, whole_ns, until_ns)
    ahead = next(entries, None)
    header = Header(
        FORMAT,
        VERSION,
        site.name,
        site.digest,
        gateway.__version__,
        whole_ns,
        until_ns,
        ahead.number if ahead else 1,
        tuple(beginning for beginning, _ in begun.values()),
    )
    entries = chain([ahead] if ahead else [], entries)
    with writing(out) as writer:
        writer.header(header)
        for frame, run_up in _in_order(steps(path, from_ns, until_ns), begun, whole_ns):
            writer.step(step_of(frame, run_up))
            for _ in () if run_up else frame.transitions:
                entry = next(entries, None)
                if entry is None or (entry.machine, entry.sequence) != (
                    frame.machine,
                    frame.sequence,
                ):
                    fail(
                        f"archive {path}: the journal does not have the entries of step "
                        f"{frame.sequence} of {frame.machine}, {timestamp(frame.at.utc_ns)}; "
                        "verify it, or record from a later time with --since"
                    )
                writer.entry(entry)
    late = f" (from {timestamp(whole_ns)} on)" if whole_ns > since_ns else ""
    return f"{out}: {writer.steps} steps, {writer.entries} journal entries{late}"


def _in_order(
    archived: Iterator[Frame], begun: dict[str, tuple[Beginning, int]], whole_ns: int
) -> Iterator[tuple[Frame, bool]]:
    """The steps after each machine's beginning, and whether they come before the window."""
    last = {machine: beginning.sequence for machine, (beginning, _) in begun.items()}
    for frame in archived:
        if frame.machine not in last or frame.sequence <= last[frame.machine]:
            continue
        if frame.sequence != last[frame.machine] + 1:
            fail(
                f"{frame.machine}: the archive does not have the steps {last[frame.machine] + 1} "
                f"to {frame.sequence - 1} in this time, or the clock was set back; "
                f"record from a time after {timestamp(frame.at.utc_ns)} with --since"
            )
        last[frame.machine] = frame.sequence
        yield frame, frame.at.utc_ns < whole_ns


def _beginning(
    path: Path, machine: str, since_ns: int, until_ns: int
) -> tuple[Beginning, int] | None:
    """The saved state to begin with, and the time of the first step after it."""
    saved = checkpoint(path, machine, since_ns)
    first_ns = since_ns if saved is None else min(saved.utc_ns, since_ns)
    oldest = None  # sequence of the first step that the archive still has
    for count, frame in enumerate(frames(path, machine, first_ns, until_ns)):
        oldest = frame.sequence if oldest is None else oldest
        alarms = tuple(a.alarm for a in frame.alarms)
        if frame.sequence == 1:
            return Beginning(machine, 0, (), alarms), frame.at.utc_ns
        if count and count % _LOOKED_AT_EVERY == 0:
            saved = checkpoint(path, machine, frame.at.utc_ns)
        if saved is not None and oldest <= saved.sequence + 1 <= frame.sequence:
            parts = tuple(Part(name, part.decode()) for name, part in sorted(saved.parts.items()))
            return Beginning(machine, saved.sequence, parts, alarms), saved.utc_ns
    return None
