"""One OPC UA server a test file: building the standard's own nodes takes more than a second."""

from collections.abc import AsyncIterator

import pytest_asyncio
from asyncua import Client

from gateway.serve.opcua import OpcUaOutlet
from gateway.serve.outlet import Feed
from tests.serve.opcua_plant import Plant
from tests.serve.sites import Clock, Orders, contact, free_port, limit_alarm, make_site, number


@pytest_asyncio.fixture(loop_scope="module", scope="module")
async def plant() -> AsyncIterator[Plant]:
    port = free_port()
    signals = [number(f"G1.R{n}", "G1") for n in range(12)]
    signals.append(number("G1.U", "G1", "V", "400 V"))
    signals.append(contact("G1.FAULT", "G1"))
    signals.append(number("G2.R", "G2"))
    alarms = [limit_alarm("G1.R.LOW", "G1", "G1.R0"), limit_alarm("G2.R.LOW", "G2", "G2.R")]
    site = make_site({"opcua": {"port": port}}, signals, alarms)
    clock = Clock()
    feed = Feed(site, clock)
    outlet = OpcUaOutlet(site, feed, Orders())
    await outlet.start()
    yield Plant(port, feed, clock, outlet)
    await outlet.stop()


@pytest_asyncio.fixture(loop_scope="module")
async def client(plant: Plant) -> AsyncIterator[Client]:
    async with Client(plant.url) as connected:
        yield connected
