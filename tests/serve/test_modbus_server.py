"""The Modbus TCP server over real sockets: worked frames, pipelining, hostile bytes."""

import asyncio
import contextlib
import socket
import struct
from collections.abc import AsyncIterator, Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from gateway.serve.modbus_server import (
    Identity,
    Limits,
    ModbusConnection,
    ModbusServer,
    TakeWrite,
)
from tests.serve.modbus_wire import Stream, read, receive, request
from tests.serve.sites import free_port

IDENTITY = Identity("rotor gateway", "rotor-gateway", "1.2.3")


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


async def test_unit_255_is_the_device_itself() -> None:
    """A client that addresses the server by its IP alone (Messaging guide V1.0b) is answered."""
    async with serving({4: 5}) as connect:
        reader, writer = await connect()
        writer.write(read(1, 4, 1, unit=0xFF))
        assert (1, 0xFF, bytes.fromhex("03 02 0005")) == await receive(reader)


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


async def test_peers_that_come_and_come_do_not_fill_the_log() -> None:
    """A hundred that are refused and a hundred that talk nonsense are two lines in the log."""
    with capture_logs() as lines:
        async with serving({4: 5}, limits=Limits(connections=1)) as connect:
            for n in range(100):
                reader, writer = await connect()
                writer.write(b"GET / HTTP/1.0\r\n\r\n")
                assert (n, b"") == (n, await reader.read())
            reader, writer = await connect()
            writer.write(read(1, 4, 1))
            await receive(reader)
            for _ in range(100):
                with contextlib.suppress(ConnectionError):
                    assert b"" == await (await connect())[0].read()
    assert [
        "modbus connection closed: not Modbus TCP",
        "modbus connection refused: there are 1 already",
    ] == [line["event"] for line in lines]


async def test_nothing_is_written_to_a_connection_that_is_lost() -> None:
    """Of the answers to one full buffer, none goes to a socket that failed under the first."""
    pieces: list[bytes] = []

    class Failing(Wire):
        def write(self, data: Any) -> None:
            pieces.append(data)
            self.close()

    image = bytes(400)
    connection = ModbusConnection(ModbusServer(1, lambda: image, IDENTITY))
    connection.connection_made(Failing())
    connection.data_received(b"".join(read(t, 0, 125) for t in range(5000)))
    connection.connection_lost(None)
    assert 1 == len(pieces)


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
        right = unit in (1, 0xFF) and pdu[0] in (3, 4) and len(pdu) == 5
        address, quantity = struct.unpack_from(">HH", pdu, 1) if len(pdu) >= 5 else (0, 0)
        right = right and 1 <= quantity <= 125 and address + quantity <= 200
        if right:
            assert struct.pack(f">{quantity}H", *range(address, address + quantity)) == answer[2:]
        elif pdu[0] != 43:
            assert (pdu[0] | 0x80, 2) == (answer[0], len(answer))


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
