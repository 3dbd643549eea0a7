"""`rotor-gateway alarms SITE show ALARM`: one alarm, and why to believe or doubt it."""

import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import click

from gateway.cli.alarm_list import told_of
from gateway.cli.asked import alarm_of, newest_of
from gateway.cli.health import channels_of, plain, proved, sick
from gateway.cli.history import timestamp
from gateway.cli.options import fail, json_option, load_site, state_of, state_option
from gateway.diagnosis.caution import CAUTION
from gateway.diagnosis.subjects import subjects
from gateway.report.words import age, quantity
from gateway.service.wall import WALL
from gateway.site.alarm import Alarm, MalfunctionAlarm
from gateway.site.installed import Site
from gateway.tags import (
    AlarmRecord,
    Bearing,
    Evidence,
    Frame,
    HealthRecord,
    Observed,
    StatusSignal,
    Subject,
)

_LISTS: Final = (
    ("possible explanations", "possible"),
    ("excluded explanations", "excluded"),
    ("questions left open", "questions"),
)


@click.command()
@click.argument("alarm")
@state_option
@json_option
@click.pass_obj
def command(site_path: Path, alarm: str, state_dir: Path | None, as_json: bool) -> None:
    """Tell an alarm's state, its evidence, and the health beneath it."""
    site = load_site(site_path)
    asked = alarm_of(site, site_path, alarm)
    wall = state_of(site_path, state_dir) / WALL
    frame = newest_of(site, wall, asked.machine)
    record = next((r for r in frame.alarms if r.alarm == alarm), None)
    if record is None:
        fail(f"the running gateway does not have {alarm}; restart it to use {site_path}")
    evidence = next((e for e in frame.evidence if e.alarm == alarm), None)
    health = _rests_on(site, asked, frame)
    if as_json:
        channels = channels_of(site, asked.machine)
        told = {
            **told_of(asked, record, frame),
            "description": asked.description,
            "evidence": None if evidence is None else _plain(evidence),
            "health": [plain(r, channels, frame.at.utc_ns) for r in health],
            "caution": CAUTION,
        }
        click.echo(json.dumps(told, indent=1))
        return
    for line in (
        *_state(asked, record, frame),
        *_evidence(site, asked, record, evidence),
        *_health(site, asked, health, frame),
        CAUTION,
    ):
        click.echo(line)


def _rests_on(site: Site, alarm: Alarm, frame: Frame) -> list[HealthRecord]:
    """The health of all that the alarm needs; of all the machine where it names no tag."""
    tags = [getattr(alarm, "tag", ""), getattr(alarm, "reference", "")]
    tags = [t for t in (*tags, *getattr(alarm, "tags", ())) if t]
    if not tags:
        return list(frame.health)
    within = subjects(site, alarm.machine)
    needed = {subject for tag in tags for subject in within.subjects_of(tag)}
    always = (Subject.MACHINE, Subject.GATEWAY)
    return [r for r in frame.health if r.subject in needed or r.kind in always]


def _state(alarm: Alarm, record: AlarmRecord, frame: Frame) -> Iterator[str]:
    now_ns = frame.at.utc_ns
    yield f"{alarm.name}{f': {alarm.description}' if alarm.description else ''}"
    since = ""
    if record.since_ns:
        since = f" since {timestamp(record.since_ns)} ({age(record.since_ns, now_ns)})"
    yield f"  state      {record.state.value}{since}, priority {alarm.priority}"
    truth = "present" if record.present else "not present"
    yield f"  condition  {truth}" + ("" if record.judged else " when last judged; unknown now")
    if record.first_up:
        yield f"  first up   of the group {alarm.group}"
    if record.shelved_until_ns:
        left = age(now_ns, record.shelved_until_ns)
        yield f"  shelved    until {timestamp(record.shelved_until_ns)} ({left} left)"
    if alarm.suppressed_when:
        yield f"  rule       suppressed by design when {alarm.suppressed_when}"
    yield f"  at         {timestamp(now_ns)}"


def _evidence(
    site: Site, alarm: Alarm, record: AlarmRecord, evidence: Evidence | None
) -> Iterator[str]:
    yield ""
    if evidence is None:
        if alarm.indicates != "earth fault":
            yield "evidence: kept for alarms that indicate an earth fault; this one does not"
        else:
            yield f"evidence: none, the alarm is {record.state.value}"
        return
    yield f"evidence: {evidence.conclusion.value} (± is the expanded uncertainty, k = 2)"
    order = list(Bearing)
    for seen in sorted(evidence.observations, key=lambda o: order.index(o.bearing)):
        if seen.tag:
            yield f"  {seen.bearing.value:<7}  {seen.text}"
            yield f"           {_source(site, seen)}"
        else:
            over = "" if seen.path in seen.text else f" (over {seen.path})"
            yield f"  {seen.bearing.value:<7}  {seen.text}{over}"
    for heading, key in _LISTS:
        items = getattr(evidence, key)
        yield f"{heading}:{'' if items else ' none'}"
        yield from (f"  {item}" for item in items)


def _source(site: Site, seen: Observed) -> str:
    """Path, tag, value with its expanded uncertainty, status and time of measurement."""
    unit = next((t.unit for t in site.tags if t.tag == seen.tag), None)
    number = "no value"
    if isinstance(seen.value, bool):
        number = "true" if seen.value else "false"
    elif seen.value is not None:
        number = quantity(seen.value, seen.uncertainty, seen.status, unit)
    measured = f"measured {timestamp(seen.time_ns)}" if seen.time_ns else "never measured"
    return f"over {seen.path}: {seen.tag} {number}, {seen.status.name}, {measured}"


def _health(site: Site, alarm: Alarm, records: list[HealthRecord], frame: Frame) -> Iterator[str]:
    now_ns, channels = frame.at.utc_ns, channels_of(site, alarm.machine)
    whose = "everything of the machine" if _of_all(alarm) else "what it rests on"
    lines = list(sick(records, now_ns))
    yield f"health of {whose}:{'' if lines else f' {_well(records)}'}"
    yield from (f"  {line}" for line in lines)
    yield from (
        f"  {record.subject}: {proved(record, channels, now_ns)}"
        for record in records
        if record.proved_ns or record.subject in channels
    )


def _of_all(alarm: Alarm) -> bool:
    return isinstance(alarm, MalfunctionAlarm) and not alarm.tags


def _well(records: list[HealthRecord]) -> str:
    return StatusSignal.NORMAL.value if records else "not known"


def _plain(evidence: Evidence) -> dict[str, Any]:
    """As JSON: times and status as text, everything else as it is."""
    told = asdict(evidence)
    for plain_one, seen in zip(told["observations"], evidence.observations, strict=True):
        plain_one["time"] = timestamp(plain_one.pop("time_ns"))
        plain_one["status"] = seen.status.name
    return told
