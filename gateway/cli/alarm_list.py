"""`rotor-gateway alarms SITE list [ALARM]`: how the alarms stand, and how far to believe them."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from gateway.cli.asked import alarm_of, running
from gateway.cli.columns import print_columns
from gateway.cli.history import timestamp
from gateway.cli.newest import newest_frames, no_word
from gateway.cli.options import fail, json_option, load_site, state_of, state_option
from gateway.diagnosis.caution import CAUTION
from gateway.service.wall import WALL
from gateway.site.alarm import Alarm
from gateway.tags import AlarmRecord, Frame

_HEAD = ("ALARM", "PRIORITY", "STATE", "SINCE", "EVIDENCE", "NOTE")


@click.command()
@click.argument("alarm", required=False)
@state_option
@json_option
@click.pass_obj
def command(site_path: Path, alarm: str | None, state_dir: Path | None, as_json: bool) -> None:
    """List all alarms, or one of them."""
    site = load_site(site_path)
    alarms = {a.name: a for a in site.file.alarms}
    if alarm is not None:
        asked = alarm_of(site, site_path, alarm)
        alarms = {asked.name: asked}
    wall = running(state_of(site_path, state_dir) / WALL)
    frames = newest_frames(site, wall)
    told = [
        told_of(alarms[record.alarm], record, frame)
        for frame in frames.values()
        for record in frame.alarms
        if record.alarm in alarms
    ]
    if as_json:
        click.echo(json.dumps(told, indent=1))
    elif told:
        print_columns([_HEAD, *map(_row, told)])
        click.echo(CAUTION)
    machines = dict.fromkeys(a.machine for a in alarms.values())
    missing = [m for m in machines if m not in frames]
    if missing:
        fail(no_word(missing, wall))


def told_of(alarm: Alarm, record: AlarmRecord, frame: Frame) -> dict[str, Any]:
    """How an alarm stands, in the words that lists, pages and JSON share."""
    concluded = (str(e.conclusion) for e in frame.evidence if e.alarm == alarm.name)
    return {
        "alarm": alarm.name,
        "machine": frame.machine,
        "priority": alarm.priority,
        "state": record.state.value,
        "condition": "known" if record.judged else "unknown",
        "present": record.present,
        "since": timestamp(record.since_ns),
        "first_up": record.first_up,
        "shelved_until": timestamp(record.shelved_until_ns),
        "conclusion": next(concluded, "-"),
    }


def _row(told: dict[str, Any]) -> tuple[str, ...]:
    cells = (told[k] for k in ("alarm", "priority", "state", "since"))
    was = told["conclusion"] != "-" and not told["present"]  # the evidence is that of before
    return (*cells, f"{'was ' if was else ''}{told['conclusion']}", ", ".join(_notes(told)))


def _notes(told: dict[str, Any]) -> Iterator[str]:
    if told["first_up"]:
        yield "first up"
    if told["condition"] == "unknown":
        yield "condition unknown"
    elif told["present"] and told["state"] in ("shelved", "suppressed by design", "out of service"):
        yield "condition present"
    if told["shelved_until"] != "-":
        yield f"shelved until {told['shelved_until']}"
