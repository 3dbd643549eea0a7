"""`rotor-gateway alarms SITE statistics`: how the alarm system performs, beside its benchmarks.

Reads the archive only. Refuses figures of a time before the archive was begun.
"""

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import click

from gateway.alarms.activations import activations
from gateway.alarms.journal import JournalEntry
from gateway.alarms.statistics import Count, Figure, Statistics, Verdict, statistics
from gateway.archive.history import steps
from gateway.archive.journal_store import journal
from gateway.archive.layout import StoreError
from gateway.cli.asked import window_ns
from gateway.cli.columns import print_columns
from gateway.cli.history import timestamp
from gateway.cli.options import fail, json_option, load_site, state_of, state_option
from gateway.service.field_side import ARCHIVE

_HOUR_NS: Final = 3600 * 10**9
_EVER_NS: Final = -(2**62)


@click.command()
@click.option("--since", default="30 d", show_default=True, help="'7 d' ago, or an RFC 3339 time.")
@click.option("--until", help="Likewise.  [default: now]")
@click.option("--by", type=click.Choice(["day", "hour"]), help="Also tell each day, or each hour.")
@state_option
@json_option
@click.pass_obj
def command(
    site_path: Path,
    since: str,
    until: str | None,
    by: str | None,
    state_dir: Path | None,
    as_json: bool,
) -> None:
    """Tell how the alarm system performs, beside its benchmarks.

    Figures and benchmarks are those of ISA-18.2 / IEC 62682 clause 16 and EEMUA 191, from the
    journal, for one operator position and 30 days of data or more.
    """
    site = load_site(site_path)
    since_ns, until_ns = window_ns(since, until)
    path = state_of(site_path, state_dir) / ARCHIVE
    try:
        entries = list(journal(path, _EVER_NS, until_ns))
        first = next(steps(path, _EVER_NS, until_ns), None)
    except StoreError as error:
        fail(str(error))
    oldest_ns = [e.utc_ns for e in entries[:1]] + ([first.at.utc_ns] if first else [])
    if not oldest_ns:
        fail(f"archive {path} has nothing before {timestamp(until_ns)}; ask for a later time")
    begun_ns = min(oldest_ns)
    since_ns = max(since_ns, begun_ns)
    found = statistics(entries, since_ns, until_ns, {a.name: a.priority for a in site.file.alarms})
    hours = _hours(entries, since_ns, until_ns) if by == "hour" else []
    if as_json:
        click.echo(json.dumps(_plain(found, hours), indent=1))
        return
    _print(found, begun_ns == since_ns)
    if by == "day":
        _print_days(found)
    elif by == "hour":
        click.echo("\nhours with annunciations:" if hours else "\nno hour has an annunciation")
        if hours:
            rows = [(timestamp(begin_ns), str(count)) for begin_ns, count in hours]
            print_columns([("FROM", "ANNUNCIATIONS"), *rows])


def _hours(entries: Iterable[JournalEntry], since_ns: int, until_ns: int) -> list[tuple[int, int]]:
    """Begin and annunciations of each full hour of the clock that has any."""
    calls = activations(entries, until_ns).annunciations
    counts = Counter(
        c.utc_ns // _HOUR_NS * _HOUR_NS for c in calls if since_ns <= c.utc_ns < until_ns
    )
    return sorted(counts.items())


def _plain(found: Statistics, hours: Sequence[tuple[int, int]]) -> dict[str, Any]:
    """As JSON: times as text, everything else as it is."""
    told: dict[str, Any] = _timed(asdict(found))
    if hours:
        told["hours"] = [
            {"begin": timestamp(begin_ns), "annunciations": count} for begin_ns, count in hours
        ]
    return told


def _timed(value: Any) -> Any:
    if isinstance(value, dict):
        return {
            k.removesuffix("_ns"): (None if v is None else timestamp(v))
            if k.endswith("_ns")
            else _timed(v)
            for k, v in value.items()
        }
    if isinstance(value, list | tuple):
        return [_timed(v) for v in value]
    return value


def _print(found: Statistics, from_the_beginning: bool) -> None:
    begun = " (the archive was begun then)" if from_the_beginning else ""
    window = f"from {timestamp(found.since_ns)}{begun} until {timestamp(found.until_ns)}"
    noun = "annunciation" if found.annunciations == 1 else "annunciations"
    click.echo(f"{found.annunciations} {noun} {window}")
    if not found.enough:
        click.echo(
            "less than 30 days: too few for the benchmarks, which are made for 30 days or more"
        )
    head = ("FIGURE", "VALUE", "BENCHMARK", "VERDICT", "SOURCE")
    print_columns([head, *map(_row, found.figures)])
    for name, counts in (
        ("most frequent", found.contributors),
        ("chattering", found.chattering),
        ("fleeting", found.fleeting),
    ):
        click.echo(f"{name}: {', '.join(map(_counted, counts)) or 'none'}")
    for spell in found.standing:
        over = "still" if spell.end_ns is None else f"until {timestamp(spell.end_ns)}"
        click.echo(f"standing: {spell.alarm} since {timestamp(spell.begin_ns)}, {over}")
    for flood in found.floods:
        window = f"{timestamp(flood.begin_ns)} to {timestamp(flood.end_ns)}"
        click.echo(f"flood: {flood.count} annunciations, {window}")
    for shelving in found.shelved:
        until = timestamp(shelving.until_ns)
        click.echo(f"shelved: {shelving.alarm} until {until} by {shelving.who}: {shelving.why}")


def _row(figure: Figure) -> tuple[str, ...]:
    return (
        figure.name,
        _value(figure),
        figure.benchmark,
        # Some benchmarks are a least one: 'over' would praise what falls short of it.
        "not met" if figure.verdict is Verdict.OVER else figure.verdict.value,
        figure.source,
    )


def _value(figure: Figure) -> str:
    if figure.unit == "share":
        return f"{100 * figure.value:.3g} %"
    return f"{figure.value:.4g}{'' if figure.unit == '1' else f' {figure.unit}'}"


def _counted(count: Count) -> str:
    return f"{count.alarm} {count.count} ({count.share:.0%})"


def _print_days(found: Statistics) -> None:
    click.echo()
    head = ("FROM", "UNTIL", "ANNUNCIATIONS", "MOST IN 10 MIN", "TIME IN FLOOD", "STANDING")
    rows = [
        (
            timestamp(day.begin_ns),
            timestamp(day.end_ns),
            str(day.annunciations),
            str(day.most_in_10_min),
            f"{day.flood_share:.1%}",
            str(day.standing),
        )
        for day in found.days
    ]
    print_columns([head, *rows])
