"""The Modbus outlet as a client of the plant meets it: the Feed's values, and acknowledging."""

import asyncio
import contextlib
import struct
from collections.abc import AsyncIterator

from gateway.serve.modbus import ModbusOutlet
from gateway.serve.outlet import Feed
from gateway.tags import GOOD, AlarmState, Command, Order, Sample
from tests.serve.modbus_wire import Stream, read, receive, request
from tests.serve.sites import Clock, Orders, free_port, make_frame, make_site


@contextlib.asynccontextmanager
async def outlet(
    acknowledge: bool = False, orders: Orders | None = None
) -> AsyncIterator[tuple[Feed, Clock, Stream]]:
    port = free_port()
    site = make_site({"modbus": {"port": port, "acknowledge": acknowledge}})
    clock = Clock()
    feed = Feed(site, clock)
    served = ModbusOutlet(site, feed, orders or Orders())
    await served.start()
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        yield feed, clock, (reader, writer)
    finally:
        writer.close()
        await served.stop()


async def registers(stream: Stream, address: int, quantity: int) -> tuple[int, ...]:
    stream[1].write(read(1, address, quantity))
    _, _, pdu = await receive(stream[0])
    assert 3 == pdu[0]
    return struct.unpack(f">{quantity}H", pdu[2:])


async def test_a_frame_is_served_at_once_and_goes_stale_in_its_quality_word() -> None:
    """A new Frame shows in the next read; a silent field side turns good into uncertain."""
    async with outlet() as (feed, clock, stream):
        assert (0, 2, 0, 0) == await registers(stream, 1, 4)
        assert (0x7FC0, 0, 0x8032, 0, 0, 0xFFFF) == await registers(stream, 110, 6)
        feed.take(make_frame("G1", clock, [Sample("G1.R", 47.3, GOOD, clock.utc_ns)]))
        assert (0x423D, 0x3333, 0, 0, 2, 0) == await registers(stream, 110, 6)
        assert (1, 2, 0, 1) == await registers(stream, 1, 4)
        assert (1,) == await registers(stream, 100, 1)
        clock.advance(4)
        await asyncio.sleep(0.12)  # the image may be a tenth of a second old
        assert (0x423D, 0x3333, 0x408F, 0, 1, 4) == await registers(stream, 110, 6)
        assert (0,) == await registers(stream, 100, 1)
        assert (1,) == await registers(stream, 1, 1)


async def test_writes_are_unknown_unless_the_site_file_allows_them() -> None:
    """Without `acknowledge: true` even the acknowledge register answers exception 01."""
    orders = Orders()
    async with outlet(orders=orders) as (_, _, (reader, writer)):
        writer.write(request(1, 1, bytes.fromhex("06 0068 0001")))
        assert (1, 1, b"\x86\x01") == await receive(reader)
    assert [] == orders.taken


async def test_acknowledge_names_the_alarm_and_the_peer() -> None:
    """Writing n to the acknowledge register orders the n-th alarm of that machine acknowledged."""
    orders = Orders()
    async with outlet(True, orders) as (_, _, (reader, writer)):
        writer.write(
            b"".join(
                request(t, 1, bytes.fromhex(pdu))
                for t, pdu in enumerate(
                    (
                        "06 0068 0002",  # G1, second alarm
                        "03 0000 0001",  # is answered after it
                        "06 01F8 0001",  # G2, first alarm
                        "06 0068 0000",
                        "06 0068 0003",
                        "06 0069 0001",
                        "06 0068 01",
                    )
                )
            )
        )
        answers = [await receive(reader) for _ in range(7)]
    assert [0, 1, 2, 3, 4, 5, 6] == [a[0] for a in answers]
    assert ["0600680002", "03020001", "0601f80001", "8603", "8603", "8602", "8603"] == [
        a[2].hex() for a in answers
    ]
    assert [
        Command(Order.ACKNOWLEDGE, "G1.R.TRIP", "modbus 127.0.0.1"),
        Command(Order.ACKNOWLEDGE, "G2.R.LOW", "modbus 127.0.0.1"),
    ] == orders.taken


async def test_refused_order_is_an_exception() -> None:
    """An order that the chain refuses is answered with exception 04, not with an echo."""
    async with outlet(True, Orders("not active")) as (_, _, (reader, writer)):
        writer.write(request(1, 1, bytes.fromhex("06 0068 0001")))
        assert (1, 1, b"\x86\x04") == await receive(reader)


async def test_alarm_bits_follow_the_frame() -> None:
    """Active, unacknowledged and judged bits stand in the order of the site file."""
    async with outlet() as (feed, clock, stream):
        feed.take(
            make_frame(
                "G1",
                clock,
                [],
                [("G1.R.TRIP", AlarmState.UNACKNOWLEDGED), ("G1.R.LOW", AlarmState.NORMAL)],
            )
        )
        assert (0b10, 0b10, 0b11) == await registers(stream, 101, 3)
        clock.advance(4)
        await asyncio.sleep(0.12)
        assert (0b10, 0b10, 0b00) == await registers(stream, 101, 3)
