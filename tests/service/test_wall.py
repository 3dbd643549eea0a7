"""The wall, over real sockets."""

import asyncio
import json
import os
import socket
import stat
import struct
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.service import wall
from gateway.service.wall import WallClient, WallError, WallServer
from gateway.tags import (
    GOOD,
    Command,
    FieldReport,
    Frame,
    Instant,
    Order,
    Sample,
)

COMMAND = Command(Order.ACKNOWLEDGE, "G1.earth-fault", "Ada", "seen on the panel")
REPORT = FieldReport(5, (), 10, 0, 4096, 10)


def frame(sequence: int, machine: str = "G1", samples: int = 1) -> Frame:
    row = tuple(Sample(f"t{i}", float(sequence), GOOD, sequence) for i in range(samples))
    return Frame(machine, sequence, Instant(sequence, sequence), (), (), row, (), ())


async def accept(_: Command) -> str:
    return ""


@pytest.fixture
def path() -> Iterator[Path]:
    # Not tmp_path: its length is not ours, and a socket's path is short.
    with TemporaryDirectory() as directory:
        yield Path(directory) / "wall"


@asynccontextmanager
async def serving(
    path: Path, on_command: Callable[[Command], Awaitable[str]] = accept
) -> AsyncIterator[WallServer]:
    server = WallServer(on_command)
    await server.start(path)
    try:
        yield server
    finally:
        await server.stop()


class Listener:
    """A client that keeps what it got and lets a test wait for it."""

    def __init__(self, path: Path) -> None:
        self.frames: list[Frame] = []
        self.reports: list[FieldReport] = []
        self.client = WallClient(path)

    async def run(self) -> None:
        await self.client.run(self.frames.append, self.reports.append)

    async def until(self, condition: Callable[[], object]) -> None:
        await eventually(condition)

    async def has(self, *frames: Frame) -> None:
        await eventually(lambda: all(f in self.frames for f in frames))


async def eventually(condition: Callable[[], object]) -> None:
    """Wait for what no event tells; ten seconds are never."""
    async with asyncio.timeout(10):
        while not condition():  # noqa: ASYNC110
            await asyncio.sleep(0.002)


@asynccontextmanager
async def listening(path: Path) -> AsyncIterator[Listener]:
    listener = Listener(path)
    running = asyncio.create_task(listener.run())
    try:
        yield listener
    finally:
        running.cancel()
        with suppress(asyncio.CancelledError):
            await running


def publish(server: WallServer, *frames: Frame) -> None:
    for f in frames:
        server.publish_frame(f)


async def test_newest_comes_first(path: Path) -> None:
    """A reader first gets the newest Frame of each machine and the newest report, then the rest."""
    async with serving(path) as server:
        publish(server, frame(1), frame(1, "G2"), frame(2))
        server.publish_report(FieldReport(4, (), 9, 0, 4096, 9))
        server.publish_report(REPORT)
        async with listening(path) as one, listening(path) as other:
            await eventually(lambda: one.reports and other.reports)
            for listener in (one, other):
                assert [frame(2), frame(1, "G2")] == listener.frames
                assert [REPORT] == listener.reports
            publish(server, frame(3))
            for listener in (one, other):
                await listener.has(frame(3))
                assert frame(3) == listener.frames[-1]


async def messages(stream: asyncio.StreamReader, idle_s: float = 0.3) -> list[tuple[int, bytes]]:
    """Raw messages until nothing came for a while."""
    found = []
    with suppress(TimeoutError):
        while True:
            async with asyncio.timeout(idle_s):
                length, kind = struct.unpack(">IB", await stream.readexactly(5))
            found.append((kind, await stream.readexactly(length)))
    return found


async def test_stuck_reader_costs_no_time_and_bounded_memory(path: Path) -> None:
    """Beside a reader that reads nothing, publishing stays fast and another reader is served."""
    big = [frame(i, samples=2000) for i in range(1, 301)]
    for f in big:
        f.encode()  # kept by the Frame: what is measured is the publishing
    async with serving(path) as server:
        stream, writer = await asyncio.open_unix_connection(path, limit=1024)
        async with listening(path) as listener:
            took_s = []
            for f in big:
                begin_s = time.perf_counter()
                server.publish_frame(f)
                took_s.append(time.perf_counter() - begin_s)
                await asyncio.sleep(0.001)
            await listener.until(lambda: listener.frames and listener.frames[-1] == big[-1])
            assert len(listener.frames) > 10
        # What it finds when it wakes: what the kernel held, and the newest.
        found = [Frame.decode(body).sequence for _, body in await messages(stream)]
        writer.close()
    assert sorted(took_s)[len(took_s) // 2] < 0.0002
    assert max(took_s) < 0.25  # the machine may be busy; a wait would be half a minute
    assert len(found) < 15
    assert found == sorted(set(found))
    assert 300 == found[-1]


async def test_reader_that_stays_stuck_is_cut_off(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reader that takes nothing for long loses its connection, and its place."""
    monkeypatch.setattr(wall, "_STUCK_AFTER_S", 0.2)
    async with serving(path) as server:
        stream, writer = await asyncio.open_unix_connection(path, limit=1024)
        for i in range(1, 20):
            publish(server, frame(i, samples=5000))
            await asyncio.sleep(0.02)
        await eventually(lambda: not server.readers)
        with pytest.raises((asyncio.IncompleteReadError, ConnectionError)):
            await messages(stream, 5.0)
        writer.close()


@settings(max_examples=40)
@given(
    st.lists(
        st.one_of(st.tuples(st.just("publish"), st.sampled_from("ABC")), st.just(("read", "")))
    )
)
def test_conflation(actions: list[tuple[str, str]]) -> None:
    """However publishing and reading mix: per machine Frames come in order, once, newest last."""

    async def scenario() -> None:
        with TemporaryDirectory() as directory:
            path = Path(directory) / "wall"
            async with serving(path) as server, listening(path) as listener:
                await listener.until(lambda: server.readers)
                newest: dict[str, int] = {}
                for i, (action, machine) in enumerate(actions):
                    if action == "publish":
                        publish(server, frame(i, machine))
                        newest[machine] = i
                    else:
                        await asyncio.sleep(0)
                publish(server, frame(10**6, "end"))
                await listener.until(lambda: any(f.machine == "end" for f in listener.frames))
        for machine, last in newest.items():
            got = [f.sequence for f in listener.frames if f.machine == machine]
            assert got == sorted(set(got))
            assert last == got[-1]

    asyncio.run(scenario())


async def test_orders_and_answers(path: Path) -> None:
    """A command arrives whole; its answer comes back; several at once keep theirs apart."""
    taken: list[Command] = []

    async def on_command(command: Command) -> str:
        taken.append(command)
        await asyncio.sleep(0)
        return "" if command.order is Order.ACKNOWLEDGE else f"{command.alarm} is still active"

    reset = Command(Order.RESET, "Ω2", "Bo")
    shelve = Command(Order.SHELVE, "Ω2", "Bo", "work on the brush gear", 28_800.5)
    async with serving(path, on_command) as server, listening(path) as one, listening(path) as two:
        await one.until(lambda: server.readers == 2)
        publish(server, frame(1))
        await one.until(lambda: one.frames and two.frames)
        answers = await asyncio.gather(
            one.client.order(COMMAND),
            one.client.order(reset),
            two.client.order(COMMAND),
            one.client.order(shelve),
        )
    assert ["", "Ω2 is still active", "", "Ω2 is still active"] == list(answers)
    assert sorted([COMMAND, reset, COMMAND, shelve], key=repr) == sorted(taken, key=repr)


async def test_order_waits_for_the_connection(path: Path) -> None:
    """An order given while the connection is still being made is sent once there is one."""
    async with listening(path) as listener:
        ordered = asyncio.create_task(listener.client.order(COMMAND))
        await asyncio.sleep(0.1)
        async with serving(path):
            assert "" == await ordered


async def test_orders_that_cannot_be_answered(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An order always ends with a text: no field side, a hung one, a failing one, a lost one."""
    monkeypatch.setattr(wall, "_TAKEN_WITHIN_S", 0.1)
    hung = asyncio.Event()

    async def on_command(command: Command) -> str:
        if command.why == "hang":
            await hung.wait()
        if command.why == "stop":
            await asyncio.sleep(5)
        raise ZeroDivisionError

    async with listening(path) as listener:
        order = listener.client.order
        with monkeypatch.context() as patience:
            patience.setattr(wall, "_ANSWERED_WITHIN_S", 0.1)
            assert "is not connected" in await order(COMMAND)
        async with serving(path, on_command) as server:
            publish(server, frame(1))
            await listener.until(lambda: listener.frames)
            assert "did not take the order" in await order(Command(Order.RESET, "a", "b", "hang"))
            assert "failed over this order" in await order(COMMAND)
            endless = Command(Order.SHELVE, "a", "b", "c", float("inf"))
            assert "has no end" in await order(endless)
            # What the shell passes on of a byte that is no UTF-8 (PEP 383), and what would clear
            # the terminal of the next one who reads the journal (ECMA-48, ED).
            for odd in ("caf\udce9", "seen\x1b[2J", "two\nlines"):
                refusal = await order(Command(Order.RESET, "a", "b", odd))
                assert "characters that cannot be printed" in refusal
            assert "longer than" in await order(Command(Order.RESET, "a", "b", "x" * 20_000))
            monkeypatch.setattr(wall, "_ANSWERED_WITHIN_S", 0.05)
            assert "did not answer within" in await order(Command(Order.RESET, "a", "b", "hang"))
            monkeypatch.setattr(wall, "_TAKEN_WITHIN_S", 4.0)
            monkeypatch.setattr(wall, "_ANSWERED_WITHIN_S", 5.0)
            lost = asyncio.create_task(order(Command(Order.RESET, "a", "b", "stop")))
            await asyncio.sleep(0.2)
        assert "connection to the field side was lost" in await lost


async def test_reader_comes_back(path: Path) -> None:
    """After the field side was away, also without a farewell, the reader connects by itself."""
    async with listening(path) as listener:
        for sequence in (1, 2, 3):
            async with serving(path) as server:
                publish(server, frame(sequence))
                await listener.has(frame(sequence))
    assert [1, 2, 3] == [f.sequence for f in listener.frames]


GARBAGE = [
    b"GET / HTTP/1.1\r\n\r\n",
    struct.pack(">IB", 2**32 - 1, ord("C")),
    struct.pack(">IB", 17_000, ord("C")) + b"x" * 17_000,
    struct.pack(">IB", 3, ord("F")) + b"[1]",
    struct.pack(">IB", 3, ord("C")) + b"[1]",
    struct.pack(">IB", 4, ord("C")) + b"\xff\xfe\x00\x01",
    struct.pack(">IB", 4000, ord("C")) + b"[" * 4000,
    struct.pack(">IB", 0, ord("C")),
]
BAD_COMMANDS = [
    [1, "acknowledge", "a", "b"],
    [1, "acknowledge", "a", "b", "c"],
    [1, "acknowledge", "a", "b", 5, 0.0],
    [1, "trip", "a", "b", "c", 0.0],
    [[], "reset", "a", "b", "c", 0.0],
    [1, ["reset"], "a", "b", "c", 0.0],
    [1, "shelve", "a", "b", "c", "8 h"],
    [1, "shelve", "a", "b", "c", True],
    [1, "shelve", "a", "b", "c", float("inf")],
    [1, "shelve", "a", "b", "c", float("nan")],
    [1, "reset", "a", "b", "half a pair: \ud83d", 0.0],
    {"order": "reset"},
]


@pytest.mark.parametrize(
    "garbage",
    GARBAGE
    + [
        struct.pack(">IB", len(b), ord("C")) + b
        for b in (json.dumps(c).encode() for c in BAD_COMMANDS)
    ],
)
async def test_garbage_ends_only_its_connection(
    path: Path, garbage: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    """What is no command ends the connection that sent it; other readers notice nothing."""
    taken: list[Command] = []

    async def on_command(command: Command) -> str:
        taken.append(command)
        return ""

    async with serving(path, on_command) as server, listening(path) as listener:
        stream, writer = await asyncio.open_unix_connection(path)
        writer.write(garbage)
        with suppress(ConnectionError):
            assert b"" == await asyncio.wait_for(stream.read(), 5)
        writer.close()
        publish(server, frame(1))
        await listener.until(lambda: listener.frames)
    assert [] == [r.getMessage() for r in caplog.records if r.levelname == "ERROR"]
    assert [] == taken


@settings(max_examples=30)
@given(st.binary(min_size=1, max_size=200))
def test_client_survives_any_bytes(noise: bytes) -> None:
    """A client that is sent anything at all ends that connection at most, and goes on."""

    async def noisy(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(noise)
        await writer.drain()
        writer.close()

    async def scenario() -> None:
        with TemporaryDirectory() as directory:
            path = Path(directory) / "wall"
            async with await asyncio.start_unix_server(noisy, path) as server:
                async with listening(path) as listener:
                    await asyncio.sleep(0.01)
                    server.close()
                    path.unlink()
                    async with serving(path) as real:
                        publish(real, frame(7))
                        await listener.has(frame(7))

    asyncio.run(scenario())


BROKEN_BODIES = [
    (ord("F"), b"[]"),
    (ord("F"), b"[" * 100_000),
    (ord("F"), b'["G1",1,[1,1],[],[],[["t",1' + b"0" * 400 + b",0,1,null]],[],[]]"),
    (ord("R"), b"[1]"),
    (ord("R"), b'{"devices":[{}]}'),
    (ord("A"), b'["1","x"]'),
    (ord("A"), b"5"),
    (ord("?"), b""),
]


@pytest.mark.parametrize(("kind", "body"), BROKEN_BODIES)
async def test_client_survives_broken_messages(path: Path, kind: int, body: bytes) -> None:
    """Well-framed nonsense of every kind ends the client's connection, never the client."""
    connections = 0

    async def nonsense(stream: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal connections
        connections += 1
        data = struct.pack(">IB", len(body), kind) + body
        for i in range(0, min(len(data), 20)):  # byte by byte at first
            writer.write(data[i : i + 1])
            await writer.drain()
        writer.write(data[20:])
        await stream.read()
        writer.close()

    async with await asyncio.start_unix_server(nonsense, path):
        async with listening(path) as listener:
            await listener.until(lambda: connections >= 3)
    assert [] == listener.frames


async def test_commands_without_end_are_bounded(path: Path) -> None:
    """A peer that orders for ever and reads no answer is cut off."""
    async with serving(path) as server:
        _, writer = await asyncio.open_unix_connection(path, limit=1024)
        body = json.dumps([1, "reset", "a", "b", "x" * 10_000]).encode()
        message = struct.pack(">IB", len(body), ord("C")) + body
        publish(server, *(frame(i, f"M{i}", 3000) for i in range(10)))
        with pytest.raises(ConnectionError):
            async with asyncio.timeout(20):
                while True:
                    writer.write(message)
                    await writer.drain()
        writer.close()


async def test_too_many_readers(path: Path) -> None:
    """The ninth reader is turned away, the eight keep theirs."""
    async with serving(path) as server:
        opened = [await asyncio.open_unix_connection(path) for _ in range(9)]
        assert b"" == await asyncio.wait_for(opened[-1][0].read(), 5)
        publish(server, frame(1))
        for stream, _ in opened[:8]:
            assert 1 == len(await messages(stream, 0.1))
        for _, writer in opened:
            writer.close()


async def test_socket_belongs_to_its_user(path: Path) -> None:
    """The socket has mode 0600 and replaces a stale one; it is gone after the stop."""
    stale = socket.socket(socket.AF_UNIX)
    stale.bind(os.fspath(path))
    stale.close()
    async with serving(path):
        assert 0o600 == stat.S_IMODE(os.stat(path).st_mode)
    assert path.name not in os.listdir(path.parent)


async def test_paths_that_cannot_be(path: Path) -> None:
    """A path that is too long, taken by a file, or in no directory is an error with a remedy."""
    long = path.with_name("x" * (107 - len(os.fsencode(path.parent)) - 1))
    async with serving(long), listening(long):
        pass
    longer = path.with_name(long.name + "x")
    with pytest.raises(WallError, match=r"has 108 bytes, the system allows 107.*shorter path"):
        await WallServer(accept).start(longer)
    with pytest.raises(WallError, match="108 bytes"):
        WallClient(longer)
    os.close(os.open(path, os.O_CREAT))
    with pytest.raises(WallError, match="is not a socket"):
        await WallServer(accept).start(path)
    assert stat.S_ISREG(os.stat(path).st_mode)
    with pytest.raises(WallError, match="its directory"):
        await WallServer(accept).start(path / "none" / "wall")


async def test_nothing_is_left_behind(path: Path) -> None:
    """After stopping with readers and orders under way, no task is left."""
    async with serving(path, lambda _: asyncio.sleep(60, "")) as server:
        async with listening(path) as listener:
            publish(server, frame(1))
            await listener.until(lambda: listener.frames)
            order = asyncio.create_task(listener.client.order(COMMAND))
            await asyncio.sleep(0.05)
    assert "lost" in await order
    assert {asyncio.current_task()} == asyncio.all_tasks()
