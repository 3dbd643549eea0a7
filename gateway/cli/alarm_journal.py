"""`rotor-gateway alarms SITE journal`: what happened to the alarms; proof that nobody changed it.

Reads the archive only, so it works while the gateway runs and after it died.
"""

import json
from collections.abc import Iterator
from datetime import UTC
from pathlib import Path
from typing import Any

import click

from gateway.alarms.journal import HASH_BYTES, Anchor, JournalEntry
from gateway.archive.journal_store import Verdict, journal, verify
from gateway.archive.layout import StoreError
from gateway.cli.asked import alarm_of, window_ns
from gateway.cli.history import timestamp
from gateway.cli.options import fail, json_option, load_site, state_of, state_option
from gateway.report.words import happened
from gateway.service.field_side import ARCHIVE


@click.command()
@click.option("--since", help="'2 h' ago, or an RFC 3339 time.  [default: 24 h]")
@click.option("--until", help="Likewise.  [default: now]")
@click.option("--alarm", metavar="ALARM", help="Only the entries of this alarm.")
@click.option(
    "--verify", "proving", is_flag=True, help="Check the whole journal and its steps by their hash."
)
@click.option(
    "--head",
    metavar="NUMBER:HASH",
    help="Check against the head that an earlier --verify told; kept elsewhere, it shows whether "
    "entries were cut off.",
)
@state_option
@json_option
@click.pass_obj
def command(
    site_path: Path,
    since: str | None,
    until: str | None,
    alarm: str | None,
    proving: bool,
    head: str | None,
    state_dir: Path | None,
    as_json: bool,
) -> None:
    """Print the alarm journal, or prove that nobody changed it."""
    site = load_site(site_path)
    path = state_of(site_path, state_dir) / ARCHIVE
    try:
        if proving or head is not None:
            if since or until or alarm:
                fail("the journal is checked as a whole; leave out --since, --until and --alarm", 2)
            _tell(verify(path, _anchor(head)), path, as_json)
            return
        if alarm is not None:
            alarm_of(site, site_path, alarm)
        since_ns, until_ns = window_ns(since or "24 h", until)
        entries = journal(path, since_ns, until_ns)
        mine = (e for e in entries if alarm in (None, e.transition.alarm))
        if not _print(mine, as_json):
            window = f"from {timestamp(since_ns)} until {timestamp(until_ns)}"
            click.echo(f"no journal entry{f' of {alarm}' if alarm else ''} {window}", err=True)
    except StoreError as error:
        fail(str(error))


def _anchor(head: str | None) -> Anchor | None:
    if head is None:
        return None
    number, _, digest = head.strip().partition(":")
    try:
        anchor = Anchor(int(number), bytes.fromhex(digest))
    except ValueError:
        anchor = Anchor(-1, b"")
    if anchor.number < 0 or len(anchor.hash) != HASH_BYTES:
        fail(
            f"--head {head!r} is no head; write NUMBER:HASH as --verify tells it, the hash with "
            f"{2 * HASH_BYTES} hexadecimal digits",
            2,
        )
    return anchor


def _tell(verdict: Verdict, path: Path, as_json: bool) -> None:
    head = f"{verdict.head.number}:{verdict.head.hash.hex()}"
    broken, dropped = verdict.broken, verdict.dropped.number
    if as_json:
        told = {
            "holds": broken is None and not verdict.unproven,
            "entries": verdict.entries,
            "head": head,
            "dropped": dropped,
            "broken": None if broken is None else {"entry": broken.number, "why": broken.why},
            "unproven": verdict.unproven,
        }
        click.echo(json.dumps(told, indent=1))
    else:
        click.echo(f"{verdict.entries} entries hold, each with the step that it came with")
        if dropped:
            click.echo(f"entries up to {dropped} went at the size limit")
        click.echo(f"head {head}")
        if broken is None and not verdict.unproven:
            click.echo("keep the head elsewhere: with --head it shows what is cut off or rewritten")
    if broken is not None:
        fail(
            f"archive {path}: the journal is not to be trusted from entry {broken.number} on: "
            f"{broken.why}; keep a copy of the archive, and find out who had access to it"
        )
    if verdict.unproven:
        fail(f"archive {path}: {verdict.unproven}; give a newer head")


def _print(entries: Iterator[JournalEntry], as_json: bool) -> int:
    """How many there were. They are printed as they come: there may be very many."""
    count = 0
    for count, entry in enumerate(entries, 1):
        if as_json:
            click.echo(f"{'[' if count == 1 else ','}\n {json.dumps(_plain(entry))}", nl=False)
        else:
            concluded = f" [{entry.conclusion}]" if entry.conclusion else ""
            time = timestamp(entry.utc_ns)
            click.echo(f"{entry.number:>6}  {time}  {happened(entry, UTC)}{concluded}")
    if as_json:
        click.echo("\n]" if count else "[]")
    return count


def _plain(entry: JournalEntry) -> dict[str, Any]:
    done = entry.transition
    return {
        "number": entry.number,
        "time": timestamp(entry.utc_ns),
        "machine": entry.machine,
        "step": entry.sequence,
        "step_sha256": entry.frame_digest,
        "alarm": done.alarm,
        "what": done.cue,
        "before": done.before.value,
        "after": done.after.value,
        "who": done.who,
        "why": done.why,
        "refusal": done.refusal,
        "until": timestamp(done.until_ns),
        "conclusion": entry.conclusion or "-",
    }
