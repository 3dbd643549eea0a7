"""A wall that shows Frames of the demo's machines and takes orders, without a gateway behind it."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path

from click.testing import CliRunner, Result

from gateway.cli import main
from gateway.service.wall import WALL, WallServer
from gateway.tags import AlarmRecord, Command, Evidence, Frame, HealthRecord, Instant

SITE = Path(__file__).parents[2] / "config" / "demo.yaml"
NOON_NS = 1_767_268_800 * 10**9  # 2026-01-01T12:00:00Z
S = 10**9


def frame(
    machine: str,
    *alarms: AlarmRecord,
    evidence: Sequence[Evidence] = (),
    health: Sequence[HealthRecord] = (),
) -> Frame:
    """A step at 12:00:00."""
    at = Instant(NOON_NS, 0)
    return Frame(
        machine,
        1,
        at,
        (),
        (),
        (),
        alarms,
        (),
        health=tuple(health),
        evidence=tuple(evidence),
    )


async def accept(_: Command) -> str:
    return ""


async def told(
    state: Path,
    frames: Sequence[Frame],
    command: str,
    *arguments: str,
    on_command: Callable[[Command], Awaitable[str]] = accept,
) -> Result:
    """What a command on the demo's site gives while a field side shows these Frames."""
    server = WallServer(on_command)
    await server.start(state / WALL)
    try:
        for shown in frames:
            server.publish_frame(shown)
        words = [command, str(SITE), *arguments, "--state", str(state)]
        return await asyncio.to_thread(CliRunner().invoke, main, words)
    finally:
        await server.stop()
