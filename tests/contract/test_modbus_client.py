"""The served Modbus map as a foreign client reads it (mbpoll, of the Debian package `mbpoll`)."""

import asyncio
import re
from collections.abc import AsyncIterator

import pytest

from gateway.serve.modbus import ModbusOutlet
from gateway.serve.outlet import Feed
from gateway.serve.registers import served_map
from gateway.site.installed import Site
from gateway.tags import BAD_SENSOR_FAILURE, GOOD, AlarmState, Command, Order, Sample
from tests.serve.sites import Clock, Orders, free_port, make_frame, make_site

ORDERS = Orders()


@pytest.fixture
async def site() -> AsyncIterator[Site]:
    """A site that is served, with one Frame of its first machine."""
    ORDERS.taken.clear()
    site = make_site({"modbus": {"port": free_port(), "acknowledge": True}})
    clock = Clock()
    feed = Feed(site, clock)
    outlet = ModbusOutlet(site, feed, ORDERS)
    await outlet.start()
    feed.take(
        make_frame(
            "G1",
            clock,
            [
                Sample("G1.R", 47.3, GOOD, clock.utc_ns - 3 * 10**9),
                Sample("G1.U", None, BAD_SENSOR_FAILURE, clock.utc_ns),
                Sample("G1.FAULT", True, GOOD, clock.utc_ns),
            ],
            [("G1.R.LOW", AlarmState.UNACKNOWLEDGED)],
        )
    )
    yield site
    await outlet.stop()


async def mbpoll(site: Site, *arguments: str) -> str:
    """What mbpoll prints. Fails, and never skips, where the tool is missing."""
    output = site.file.outputs.modbus
    assert output is not None
    try:
        process = await asyncio.create_subprocess_exec(
            "mbpoll",
            *("-m", "tcp", "-0", "-1", "-a", "1", "-p", str(output.port)),
            *arguments,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
        )
    except FileNotFoundError:
        pytest.fail("mbpoll is missing: apt-get install mbpoll")
    async with asyncio.timeout(20):
        out, _ = await process.communicate()
    return out.decode()


async def values(site: Site, table: str, address: int, count: int, *more: str) -> list[str]:
    text = await mbpoll(site, "-t", table, "-r", str(address), "-c", str(count), *more, "127.0.0.1")
    return re.findall(r"^\[\d+\]:\s+(\S+)", text, re.MULTILINE)


def address(site: Site, machine: str, tag: str, what: str) -> int:
    return next(
        r.address for r in served_map(site) if (r.machine, r.tag, r.what) == (machine, tag, what)
    )


@pytest.mark.parametrize("table", ["3", "4"])
async def test_header_and_alarms(site: Site, table: str) -> None:
    """Holding and input registers show version, heartbeat, machines and alarm bits alike."""
    assert ["1", "1", "2", "0", "1", "100", "400", "6"] == await values(site, table, 0, 8)
    assert ["1", "1", "1", "1"] == await values(site, table, address(site, "G1", "", "alive"), 4)


@pytest.mark.parametrize("table", ["3:float", "4:float"])
async def test_value_is_a_big_endian_float(site: Site, table: str) -> None:
    """A foreign client decodes value, two-state and not-a-number as they were meant."""
    found = {
        tag: await values(site, table, address(site, "G1", tag, "value"), 1, "-B")
        for tag in ("G1.R", "G1.U", "G1.FAULT")
    }
    assert {"G1.R": ["47.3"], "G1.U": ["nan"], "G1.FAULT": ["1"]} == found


async def test_status_quality_and_age(site: Site) -> None:
    """StatusCode, quality word and age stand behind each value."""
    assert ["0x808C", "0x0000"] == await values(
        site, "4:hex", address(site, "G1", "G1.U", "status"), 2
    )
    assert ["2", "3"] == await values(site, "4", address(site, "G1", "G1.R", "quality"), 2)


async def test_beyond_the_map_is_an_illegal_address(site: Site) -> None:
    """A foreign client understands the refusals."""
    text = await mbpoll(site, "-t", "4", "-r", "899", "-c", "2", "127.0.0.1")
    assert "Illegal data address" in text
    text = await mbpoll(site, "-t", "0", "-r", "0", "-c", "1", "127.0.0.1")
    assert "Illegal function" in text


async def test_acknowledge(site: Site) -> None:
    """A foreign client acknowledges an alarm with function 6."""
    acknowledge = address(site, "G1", "", "acknowledge")
    text = await mbpoll(site, "-t", "4", "-r", str(acknowledge), "127.0.0.1", "--", "1")
    assert "Written 1 references" in text
    assert [Command(Order.ACKNOWLEDGE, "G1.R.LOW", "modbus 127.0.0.1")] == ORDERS.taken
