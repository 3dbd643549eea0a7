"""Modbus TCP as a client of the plant meets it: real sockets, worked frames, hostile bytes."""

import asyncio
import contextlib
import socket
import struct
from collections.abc import AsyncIterator, Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.serve.modbus import ModbusOutlet
from gateway.serve.modbus_server import (
    Identity,
    Limits,
    ModbusConnection,
    ModbusServer,
    TakeWrite,
)
from gateway.serve.outlet import Feed
from gateway.tags import GOOD, AlarmState, Command, Order, Sample
from tests.serve.sites import Clock, Orders, free_port, make_frame, make_site

IDENTITY = Identity("rotor gateway", "rotor-gateway", "1.2.3")
Stream = tuple[asyncio.StreamReader, asyncio.StreamWriter]


def request(transaction: int, unit: int, pdu: bytes) -> bytes:
    return struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu


def read(transaction: int, address: int, quantity: int, unit: int = 1, function: int = 3) -> bytes:
    return request(transaction, unit, struct.pack(">BHH", function, address, quantity))


async def receive(reader: asyncio.StreamReader) -> tuple[int, int, bytes]:
    """One answer: transaction, unit, PDU."""
    async with asyncio.timeout(5):
        transaction, protocol, length, unit = struct.unpack(">HHHB", await reader.readexactly(7))
        assert 0 == protocol
        return transaction, unit, await reader.readexactly(length - 1)


@contextlib.asynccontextmanager
async def serving(
    registers: dict[int, int],
    count: int = 200,
    unit: int = 1,
    take_write: TakeWrite | None = None,
    limits: Limits | None = None,
) -> AsyncIterator[Callable[[], Any]]:
    """A server of a bare image; yields a function that connects."""
    words = [registers.get(n, 0) for n in range(count)]
    image = struct.pack(f">{count}H", *words)
    server = ModbusServer(unit, lambda: image, IDENTITY, take_write, limits or Limits())
    port = free_port()
    listening = await server.listen("127.0.0.1", port)
    writers: list[asyncio.StreamWriter] = []

    async def connect() -> Stream:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writers.append(writer)
        return reader, writer

    try:
        yield connect
    finally:
        for writer in writers:
            writer.close()
        listening.close()
        server.close_connections()
        await listening.wait_closed()


# Worked frames of Modbus Messaging on TCP/IP V1.0b and Application Protocol V1.1b3 6.3, 6.4
# (check-value sheet 2.1 and 2.5).
WORKED = [
    (0xFF, {4: 5}, "15 01 00 00 00 06 FF 03 00 04 00 01", "15 01 00 00 00 05 FF 03 02 00 05"),
    (
        0x11,
        {0x6B: 555, 0x6C: 0, 0x6D: 100},
        "00 01 00 00 00 06 11 03 00 6B 00 03",
        "00 01 00 00 00 09 11 03 06 02 2B 00 00 00 64",
    ),
    (0x11, {}, "00 01 00 00 00 06 11 03 00 C8 00 01", "00 01 00 00 00 03 11 83 02"),
    (1, {8: 10}, "00 02 00 00 00 06 01 04 00 08 00 01", "00 02 00 00 00 05 01 04 02 00 0A"),
]


@pytest.mark.parametrize(("unit", "registers", "sent", "expected"), WORKED)
async def test_worked_frames(
    unit: int, registers: dict[int, int], sent: str, expected: str
) -> None:
    """The frames that the specifications print are answered byte for byte."""
    async with serving(registers, unit=unit) as connect:
        reader, writer = await connect()
        writer.write(bytes.fromhex(sent))
        async with asyncio.timeout(5):
            answer = await reader.readexactly(len(bytes.fromhex(expected)))
        assert bytes.fromhex(expected) == answer


async def test_byte_at_a_time() -> None:
    """A request that arrives one byte at a time is answered as one that arrives whole."""
    async with serving({4: 5}) as connect:
        reader, writer = await connect()
        for byte in read(9, 4, 1):
            writer.write(bytes((byte,)))
            await writer.drain()
            await asyncio.sleep(0)
        assert (9, 1, bytes.fromhex("03020005")) == await receive(reader)


async def test_pipelined_requests_are_all_answered_in_their_order() -> None:
    """Hundreds of requests in one segment get as many answers, in order, good and bad alike."""
    async with serving({n: n for n in range(200)}) as connect:
        reader, writer = await connect()
        writer.write(b"".join(read(t, t % 250, 1) for t in range(600)) + read(601, 0, 1)[:5])
        for t in range(600):
            address = t % 250
            data = struct.pack(">BBH", 3, 2, address) if address < 200 else b"\x83\x02"
            assert (t, 1, data) == await receive(reader)


@pytest.mark.parametrize(
    ("pdu", "unit", "answer"),
    [
        ("03 0000 0000", 1, "8303"),  # quantity 0
        ("03 0000 007E", 1, "8303"),  # quantity 126
        ("04 0000 007E", 1, "8403"),
        ("03 00C7 0002", 1, "8302"),  # runs beyond the map
        ("03 FFFF 007D", 1, "8302"),
        ("03 0000", 1, "8303"),  # cut short
        ("03 0000 0001 00", 1, "8303"),
        ("01 0000 0001", 1, "8101"),
        ("02 0000 0001", 1, "8201"),
        ("05 0000 FF00", 1, "8501"),
        ("06 0068 0001", 1, "8601"),  # no orders are taken here
        ("10 0000 0001 02 0001", 1, "9001"),
        ("17 0000 0001 0000 0001 02 0000", 1, "9701"),
        ("2B 0D 01 00", 1, "AB01"),
        ("2B 0E 04 00", 1, "AB03"),  # a single object
        ("2B 0E 01", 1, "AB03"),
        ("03 0000 0001", 2, "830B"),
        ("03 0000 0001", 0, "830B"),
        ("06 0068 0001", 2, "860B"),
    ],
)
async def test_exceptions(pdu: str, unit: int, answer: str) -> None:
    """Unknown function 01, beyond the map 02, bad quantity 03, other unit 0B (V1.1b3, 7)."""
    async with serving({}) as connect:
        reader, writer = await connect()
        writer.write(request(1, unit, bytes.fromhex(pdu)))
        assert (1, unit, bytes.fromhex(answer)) == await receive(reader)


async def test_device_identification() -> None:
    """Function 43/14 names product and revision, with lengths made of the bytes (V1.1b3, 6.21)."""
    async with serving({}) as connect:
        reader, writer = await connect()
        for category in (1, 2, 3):
            writer.write(request(1, 1, bytes((0x2B, 0x0E, category, 0))))
            _, _, pdu = await receive(reader)
            assert bytes((0x2B, 0x0E, category, 1, 0, 0, 3)) == pdu[:7]
            assert b"\x00\x0drotor gateway\x01\x0drotor-gateway\x02\x051.2.3" == pdu[7:]
        writer.write(request(1, 1, bytes((0x2B, 0x0E, 1, 2))))
        _, _, pdu = await receive(reader)
        assert b"\x01\x02\x051.2.3" == pdu[6:]


@pytest.mark.parametrize(
    "noise",
    ["00 01 00 01 00 06 01 03 00 00 00 01", "00 01 00 00 00 00 01", "00 01 00 00 00 FF 01"],
)
async def test_what_is_no_modbus_ends_the_connection(noise: str) -> None:
    """A wrong protocol id or length closes the connection, after what came before is answered."""
    async with serving({4: 5}) as connect:
        reader, writer = await connect()
        writer.write(read(1, 4, 1) + bytes.fromhex(noise) + read(2, 4, 1))
        assert (1, 1, bytes.fromhex("03020005")) == await receive(reader)
        async with asyncio.timeout(5):
            assert b"" == await reader.read()


async def test_connections_are_limited_and_places_return() -> None:
    """One connection too many is closed at once; a closed one frees its place."""
    async with serving({4: 5}, limits=Limits(connections=2)) as connect:
        first, second, third = [await connect() for _ in range(3)]
        async with asyncio.timeout(5):
            with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
                await third[0].readexactly(1)
        for reader, writer in (first, second):
            writer.write(read(1, 4, 1))
            await receive(reader)
        first[1].close()
        await first[1].wait_closed()
        async with asyncio.timeout(5):
            while True:
                reader, writer = await connect()
                writer.write(read(1, 4, 1))
                try:
                    await receive(reader)
                    break
                except (ConnectionError, asyncio.IncompleteReadError):
                    await asyncio.sleep(0.01)


async def test_idle_connection_is_closed_although_it_dribbles() -> None:
    """Bytes that never make a request do not keep a connection; requests do."""
    async with serving({4: 5}, limits=Limits(idle_s=0.3)) as connect:
        dribbling, working = await connect(), await connect()
        closed = asyncio.get_running_loop().create_task(dribbling[0].read())
        dribbled = 0
        async with asyncio.timeout(5):
            while not closed.done():
                dribbling[1].write(read(1, 4, 1)[dribbled : dribbled + 1] if dribbled < 11 else b"")
                dribbled += 1
                working[1].write(read(1, 4, 1))
                await receive(working[0])
                await asyncio.sleep(0.05)
        working[1].write(read(2, 4, 1))
        assert 2 == (await receive(working[0]))[0]


async def test_client_that_does_not_read_is_not_read_from() -> None:
    """Answers to a client that never reads stay within a few socket buffers' worth of memory."""
    image = struct.pack(">125H", *range(125))
    server = ModbusServer(1, lambda: image, IDENTITY)
    port = free_port()
    listening = await server.listen("127.0.0.1", port)
    client = socket.create_connection(("127.0.0.1", port))
    client.setblocking(False)
    block = b"".join(read(t, 0, 125) for t in range(2000))
    loop = asyncio.get_running_loop()
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(1.0):
            while True:
                await loop.sock_sendall(client, block)
    (connection,) = server.connections
    assert connection.waiting_bytes > 0
    assert connection.waiting_bytes <= 65536 + 32768 + 2 * 260
    client.close()
    listening.close()
    server.close_connections()
    await listening.wait_closed()


class Wire(asyncio.Transport):
    """A transport that keeps what is written."""

    def __init__(self) -> None:
        super().__init__({"peername": ("192.0.2.7", 50123)})
        self.out = b""
        self.closed = False

    def write(self, data: Any) -> None:
        self.out += data

    def close(self) -> None:
        self.closed = True

    abort = close

    def is_closing(self) -> bool:
        return self.closed

    def pause_reading(self) -> None:
        pass

    resume_reading = pause_reading


def valid_requests() -> st.SearchStrategy[bytes]:
    return st.builds(
        read,
        st.integers(0, 0xFFFF),
        st.integers(0, 0xFFFF),
        st.integers(0, 0xFFFF),
        st.integers(0, 255),
        st.integers(0, 255),
    )


@given(
    st.lists(st.one_of(st.binary(max_size=40), valid_requests()), max_size=12),
    st.lists(st.integers(1, 30), max_size=20),
)
async def test_any_bytes_get_whole_answers_and_data_only_for_a_right_request(
    pieces: list[bytes], cuts: list[int]
) -> None:
    """Whatever arrives, cut however, nothing raises and data answer only a right request."""
    stream = b"".join(pieces)
    image = struct.pack(">200H", *range(200))
    connection, wire = ModbusConnection(ModbusServer(1, lambda: image, IDENTITY)), Wire()
    connection.connection_made(wire)
    rest = stream
    for cut in [*cuts, len(stream) + 1]:
        if not wire.closed:
            connection.data_received(rest[:cut])
        rest = rest[cut:]
    connection.connection_lost(None)
    # What a plain reading of the stream says must have been asked.
    asked, at = [], 0
    while len(stream) - at >= 7:
        transaction, protocol, length, unit = struct.unpack_from(">HHHB", stream, at)
        if protocol or not 2 <= length <= 254 or len(stream) - at < 6 + length:
            break
        asked.append((transaction, unit, stream[at + 7 : at + 6 + length]))
        at += 6 + length
    answers, at = [], 0
    while at < len(wire.out):
        transaction, protocol, length, unit = struct.unpack_from(">HHHB", wire.out, at)
        answers.append((transaction, protocol, unit, wire.out[at + 7 : at + 6 + length]))
        at += 6 + length
    assert at == len(wire.out)
    assert [(t, 0, u) for t, u, _ in asked] == [a[:3] for a in answers]
    for (_, unit, pdu), (_, _, _, answer) in zip(asked, answers, strict=True):
        right = unit == 1 and pdu[0] in (3, 4) and len(pdu) == 5
        address, quantity = struct.unpack_from(">HH", pdu, 1) if len(pdu) >= 5 else (0, 0)
        right = right and 1 <= quantity <= 125 and address + quantity <= 200
        if right:
            assert struct.pack(f">{quantity}H", *range(address, address + quantity)) == answer[2:]
        elif pdu[0] != 43:
            assert (pdu[0] | 0x80, 2) == (answer[0], len(answer))


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


async def test_order_that_is_not_taken_in_time_is_an_exception() -> None:
    """A wall that hangs costs the client an exception 04 and no place in the server."""

    async def hang(address: int, value: int, peer: str) -> int:
        await asyncio.sleep(60)
        return 0

    limits = Limits(write_timeout_s=0.05)
    async with serving({4: 5}, take_write=hang, limits=limits) as connect:
        reader, writer = await connect()
        writer.write(request(1, 1, bytes.fromhex("06 0068 0001")) + read(2, 4, 1))
        assert (1, 1, b"\x86\x04") == await receive(reader)
        assert (2, 1, bytes.fromhex("03020005")) == await receive(reader)


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
