"""`rotor-gateway alarms`, on a wall without a gateway behind it."""

import asyncio
import json
from pathlib import Path

from click.testing import CliRunner, Result

from gateway.cli import main
from gateway.service.wall import WALL, WallServer
from gateway.tags import AlarmRecord, AlarmState, Command, Frame, Instant

CONFIG = Path(__file__).parents[2] / "config"
SITE = CONFIG / "demo.yaml"
NOON_NS = 1_767_268_800 * 10**9  # 2026-01-01T12:00:00Z


async def accept(_: Command) -> str:
    return ""


def frame(machine: str, *alarms: AlarmRecord) -> Frame:
    return Frame(machine, 1, Instant(NOON_NS, 0), (), (), (), alarms, ())


async def listed(state: Path, *options: str) -> Result:
    """What `alarms SITE list` gives while a field side shows three machines."""
    server = WallServer(accept)
    await server.start(state / WALL)
    try:
        stage_2 = AlarmRecord("U1.EARTH_FAULT_STAGE_2", AlarmState.UNACKNOWLEDGED, True, NOON_NS)
        low = AlarmRecord("U2.LIGHT_LOW", AlarmState.NORMAL, False, 0)
        for shown in (frame("U1", stage_2), frame("U2", low), frame("U3")):
            server.publish_frame(shown)
        arguments = ["alarms", str(SITE), "list", "--state", str(state), *options]
        return await asyncio.to_thread(CliRunner().invoke, main, arguments)
    finally:
        await server.stop()


async def test_list_tells_priority_state_and_time_of_each_alarm(tmp_path: Path) -> None:
    """A line an alarm, with its priority from the site file; an unknown condition is said."""
    result = await listed(tmp_path)
    assert [
        "U1.EARTH_FAULT_STAGE_2  critical  unacknowledged            2026-01-01T12:00:00.000Z",
        "U2.LIGHT_LOW            low       normal                    -  (condition unknown)",
    ] == result.output.splitlines()
    assert 0 == result.exit_code


async def test_list_as_json_names_the_same(tmp_path: Path) -> None:
    """JSON has one object an alarm, with the same words."""
    first, second = json.loads((await listed(tmp_path, "--json")).output)
    assert {
        "alarm": "U1.EARTH_FAULT_STAGE_2",
        "priority": "critical",
        "state": "unacknowledged",
        "condition": "known",
        "since": "2026-01-01T12:00:00.000Z",
    } == first
    assert ("low", "unknown") == (second["priority"], second["condition"])
