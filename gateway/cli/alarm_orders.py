"""`rotor-gateway alarms SITE ack|reset|shelve|unshelve|remove|return ALARM`: orders.

The running gateway decides; what it refuses is told with its reason, and journaled like the rest.
"""

import asyncio
import getpass
from pathlib import Path
from typing import Final

import click

from gateway.cli.asked import alarm_of, duration_ns, running
from gateway.cli.options import fail, load_site, state_of, state_option
from gateway.service.wall import WALL, WallClient
from gateway.tags import Command, Order

_DONE: Final = {
    Order.ACKNOWLEDGE: "acknowledged",
    Order.RESET: "reset",
    Order.UNSHELVE: "not shelved any more",
    Order.REMOVE: "out of service",
    Order.RETURN: "back in service",
}

_why = click.option("--why", default="", help="Reason, kept in the journal.")
_why_needed = click.option("--why", required=True, help="Reason, kept in the journal.")


@click.command()
@click.argument("alarm")
@_why
@state_option
@click.pass_obj
def _ack(site_path: Path, alarm: str, why: str, state_dir: Path | None) -> None:
    """Acknowledge an alarm: you have seen it."""
    _give(site_path, state_dir, Order.ACKNOWLEDGE, alarm, why)


@click.command()
@click.argument("alarm")
@_why
@state_option
@click.pass_obj
def _reset(site_path: Path, alarm: str, why: str, state_dir: Path | None) -> None:
    """Reset a latched, acknowledged alarm whose condition is gone."""
    _give(site_path, state_dir, Order.RESET, alarm, why)


@click.command()
@click.argument("alarm")
@click.option("--for", "for_", required=True, help="How long, such as '2 h' or '30 min'.")
@_why_needed
@state_option
@click.pass_obj
def _shelve(site_path: Path, alarm: str, for_: str, why: str, state_dir: Path | None) -> None:
    """Keep an alarm from the operator for some time. It comes back by itself."""
    duration_s = duration_ns("--for", for_) / 1e9
    _give(site_path, state_dir, Order.SHELVE, alarm, why, duration_s, f"shelved for {for_}")


@click.command()
@click.argument("alarm")
@_why
@state_option
@click.pass_obj
def _unshelve(site_path: Path, alarm: str, why: str, state_dir: Path | None) -> None:
    """End a shelving before its time is up."""
    _give(site_path, state_dir, Order.UNSHELVE, alarm, why)


@click.command()
@click.argument("alarm")
@_why_needed
@state_option
@click.pass_obj
def _remove(site_path: Path, alarm: str, why: str, state_dir: Path | None) -> None:
    """Take an alarm out of service, until it is returned."""
    _give(site_path, state_dir, Order.REMOVE, alarm, why)


@click.command()
@click.argument("alarm")
@_why
@state_option
@click.pass_obj
def _return(site_path: Path, alarm: str, why: str, state_dir: Path | None) -> None:
    """Put an alarm back into service."""
    _give(site_path, state_dir, Order.RETURN, alarm, why)


COMMANDS: Final = {
    "ack": _ack,
    "reset": _reset,
    "shelve": _shelve,
    "unshelve": _unshelve,
    "remove": _remove,
    "return": _return,
}


def _give(
    site_path: Path,
    state_dir: Path | None,
    order: Order,
    alarm: str,
    why: str,
    duration_s: float = 0.0,
    done: str = "",
) -> None:
    site = load_site(site_path)
    alarm_of(site, site_path, alarm)
    wall = running(state_of(site_path, state_dir) / WALL)
    command = Command(order, alarm, getpass.getuser(), why, duration_s)
    refusal = asyncio.run(_sent(wall, command))
    if refusal:
        fail(f"{alarm}: refused: {refusal}")
    click.echo(f"{alarm}: {done or _DONE[order]}")


async def _sent(wall: Path, command: Command) -> str:
    client = WallClient(wall)
    connected = asyncio.create_task(client.run(lambda frame: None, lambda report: None))
    try:
        return await client.order(command)
    finally:
        connected.cancel()
