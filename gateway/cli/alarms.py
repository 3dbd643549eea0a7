"""`rotor-gateway alarms SITE [list|ack|reset]`: the operator's door on the command line."""

import asyncio
import getpass
import json
from pathlib import Path

import click

from gateway.cli.history import timestamp
from gateway.cli.newest import newest_frames, no_word, not_running
from gateway.cli.options import (
    fail,
    json_option,
    load_site,
    site_argument,
    state_of,
    state_option,
)
from gateway.service.wall import WALL, WallClient
from gateway.site.explain import did_you_mean
from gateway.site.installed import Site
from gateway.tags import Command, Order


@click.command()
@site_argument
@click.argument("action", type=click.Choice(["list", "ack", "reset"]), default="list")
@click.argument("alarm", required=False)
@click.option("--why", default="", help="Reason, kept in the journal.")
@state_option
@json_option
def command(
    site_path: Path,
    action: str,
    alarm: str | None,
    why: str,
    state_dir: Path | None,
    as_json: bool,
) -> None:
    """List the alarms of a running gateway (or one of them), acknowledge one, or reset a latch."""
    site = load_site(site_path)
    wall = state_of(site_path, state_dir) / WALL
    names = [a.name for a in site.file.alarms]
    if alarm not in names and (alarm is not None or action != "list"):
        named = "name an alarm" if alarm is None else f"there is no alarm {alarm!r}"
        fail(f"{named}{did_you_mean(alarm or '', names)}", 2)
    if not wall.exists():
        fail(not_running(wall))
    if alarm is None or action == "list":
        _list(site, wall, alarm, as_json)
        return
    order = Order.ACKNOWLEDGE if action == "ack" else Order.RESET
    refusal = asyncio.run(_order(wall, Command(order, alarm, getpass.getuser(), why)))
    if refusal:
        fail(f"{alarm}: refused: {refusal}")
    click.echo(f"{alarm}: done")


async def _order(wall: Path, command: Command) -> str:
    client = WallClient(wall)
    running = asyncio.create_task(client.run(lambda frame: None, lambda report: None))
    try:
        return await client.order(command)
    finally:
        running.cancel()


def _list(site: Site, wall: Path, alarm: str | None, as_json: bool) -> None:
    frames = newest_frames(site, wall)
    missing = [m.name for m in site.file.machines if m.name not in frames]
    priorities = {a.name: a.priority for a in site.file.alarms}
    rows = [
        {
            "alarm": record.alarm,
            "priority": priorities.get(record.alarm, "-"),
            "state": record.state.value,
            "condition": "known" if record.judged else "unknown",
            "since": timestamp(record.since_ns),
        }
        for frame in frames.values()
        for record in frame.alarms
        if alarm in (None, record.alarm)
    ]
    if as_json:
        click.echo(json.dumps(rows, indent=1))
    else:
        width = max((len(row["alarm"]) for row in rows), default=0)
        for row in rows:
            unknown = "" if row["condition"] == "known" else "  (condition unknown)"
            state = f"{row['alarm']:<{width}}  {row['priority']:<8}  {row['state']:<25}"
            click.echo(f"{state} {row['since']}{unknown}".rstrip())
    if missing:
        fail(no_word(missing, wall))
