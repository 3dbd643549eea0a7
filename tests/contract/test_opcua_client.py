"""The served OPC UA tags as a second implementation sees them (node-opcua-client under node).

`tests/contract/install_node_client.sh` installs it outside of the tree.
"""

import asyncio
import json
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from gateway.serve.opcua import OpcUaOutlet
from gateway.serve.outlet import Feed
from gateway.tags import (
    BAD_SENSOR_FAILURE,
    GOOD,
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
    AlarmState,
    Limit,
    Sample,
    Status,
)
from tests.serve.sites import Clock, Orders, free_port, make_frame, make_site

HERE = Path(__file__).parent
HIGH = UNCERTAIN_ENGINEERING_UNITS_EXCEEDED.with_limit(Limit.HIGH)


def node_modules() -> Path:
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    found = sorted(cache.glob("rotor-gateway-tests/node-opcua-client-*/complete"))
    if not found:
        pytest.fail("node-opcua-client is missing: run tests/contract/install_node_client.sh")
    return found[-1].parent / "node_modules"


def ticks(time_ns: int) -> str:
    """Ticks of 100 ns since 1601 (check-value sheet 3.5: 1970 is 116444736000000000)."""
    return str(116_444_736_000_000_000 + time_ns // 100)


@asynccontextmanager
async def foreign_client(port: int) -> AsyncIterator[asyncio.subprocess.Process]:
    """The node client at work on G1.R."""
    client = await asyncio.create_subprocess_exec(
        "node",
        str(HERE / "opcua_client.js"),
        *(f"opc.tcp://127.0.0.1:{port}/", "Ternholt", "G1", "G1.R", "60"),
        env={**os.environ, "NODE_PATH": str(node_modules())},
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        yield client
    finally:
        if client.returncode is None:
            client.kill()
        await client.communicate()


async def said(client: asyncio.subprocess.Process) -> dict[str, Any]:
    """The next thing that the client tells; it may print other lines between."""
    assert client.stdout is not None
    async with asyncio.timeout(30):
        while True:
            line = (await client.stdout.readline()).decode()
            assert line, "the client ended"
            if line.startswith("{"):
                answer: dict[str, Any] = json.loads(line)
                return answer


async def test_second_implementation_browses_reads_and_subscribes() -> None:
    """A foreign client finds the tags, reads exact codes and ticks, and hears what it should."""
    port = free_port()
    site = make_site({"opcua": {"port": port}})
    clock = Clock()
    clock.utc_ns += 123_456_700
    feed = Feed(site, clock)
    outlet = OpcUaOutlet(site, feed, Orders())
    times: list[int] = []

    async def show(value: float | None, status: Status) -> None:
        clock.advance(0.5)
        times.append(clock.utc_ns)
        alarms = [("G1.R.LOW", AlarmState.UNACKNOWLEDGED)]
        feed.take(make_frame("G1", clock, [Sample("G1.R", value, status, clock.utc_ns)], alarms))
        await asyncio.sleep(0.02)  # the outlet writes in its own task

    await outlet.start()
    try:
        await show(47.3, HIGH)
        async with foreign_client(port) as client:
            children = dict((await said(client))["browse"])
            assert "ns=2;s=G1.R" == children["G1.R"]
            assert {"G1.R", "G1.U", "G1.FAULT", "G1.R.LOW", "G1.R.TRIP"} == set(children)
            assert {"EURange", "EngineeringUnits", "StandardUncertainty"} == set(
                (await said(client))["properties"]
            )
            assert [4338745, "kΩ"] == (await said(client))["units"]
            first = {"value": 47.3, "status": 0x40940600, "ticks": ticks(times[0]), "server": True}
            assert first == (await said(client))["read"]
            assert "BadUserAccessDenied" in (await said(client))["write"]
            assert 100 == (await said(client))["interval"]
            assert first == (await said(client))["heard"]
            # A deadband of 1 % of 0..100: 47.3 -> 48.2 is not told, 48.4 is; bad always is.
            await show(48.2, HIGH)
            await show(48.4, HIGH)
            await show(None, BAD_SENSOR_FAILURE)
            await show(48.4, GOOD)
            heard = [(await said(client))["heard"] for _ in range(3)]
            assert [
                (48.4, 0x40940600, ticks(times[2])),
                (None, 0x808C0000, ticks(times[3])),
                (48.4, 0, ticks(times[4])),
            ] == [(h["value"], h["status"], h["ticks"]) for h in heard]
            await client.communicate(b"\n")
            assert 0 == client.returncode
    finally:
        await outlet.stop()
