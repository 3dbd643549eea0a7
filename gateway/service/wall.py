"""The Unix socket between the field side and those who read it.

Frames and reports go one way, commands the other, their answers back. Every message is a length,
a kind and a body; bodies are the encodings of `tags`, commands and answers are JSON. The field
side never waits for a reader: of each machine only the newest Frame is kept for it, so a slow
reader misses Frames (the archive has them all) and a stuck one is cut off after half a minute.

Refuses messages that are too long or malformed (the connection ends, nothing else does), more
readers than eight, and paths that are not sockets.
"""

import asyncio
import contextlib
import itertools
import json
import math
import os
import socket
import stat
import struct
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Final, TypeVar

import structlog

from gateway.tags import Command, FieldReport, Frame, Order

WALL: Final = "wall.sock"  # in the state directory

_HEADER: Final = struct.Struct(">IB")  # bytes in the body, kind
_FRAME, _REPORT, _ANSWER, _COMMAND = b"FRAC"
_FRAME_MOST_BYTES: Final = 16 * 1024 * 1024
_COMMAND_MOST_BYTES: Final = 16 * 1024
_PATH_MOST_BYTES: Final = 107  # sun_path of unix(7) is 108 bytes with its closing zero
# Common practice, no source, down to the last one: far above what the plant side and a few
# commands need, far below what would hold the field side up.
_READERS_MOST: Final = 8
_ORDERS_WAITING_MOST: Final = 16
_STUCK_AFTER_S: Final = 30.0
_BODY_WITHIN_S: Final = 10.0
_CONNECT_WITHIN_S: Final = 5.0
_TAKEN_WITHIN_S: Final = 4.0  # shorter than the next one, so that the reason gets through
_ANSWERED_WITHIN_S: Final = 5.0
_RETRY_FIRST_S: Final = 0.05
_RETRY_MOST_S: Final = 2.0

_Decoded = TypeVar("_Decoded")

_log = structlog.stdlib.get_logger("gateway.wall")


class WallError(Exception):
    """The socket cannot be made or named. The text says which path and what to do."""


class _BrokenMessage(Exception):
    """What came is not of this protocol; the connection has to end."""


class WallServer:
    """The field side's end: gives the newest to every reader and takes their commands.

    `on_command` returns "" when the command is accepted, else why it is not.
    """

    def __init__(self, on_command: Callable[[Command], Awaitable[str]]) -> None:
        self._on_command = on_command
        self._newest: dict[tuple[int, str], bytes] = {}
        self._readers: set[_Reader] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None
        self._path: Path | None = None

    async def start(self, path: Path) -> None:
        """Listen on `path`, readable by this user only. Raises WallError."""
        listener = _listening(path)
        self._server = await asyncio.start_unix_server(self._welcome, sock=listener)
        self._path = path

    def publish_frame(self, frame: Frame) -> None:
        """Give a Frame to all readers. Never waits."""
        self._publish((_FRAME, frame.machine), frame.encode())

    def publish_report(self, report: FieldReport) -> None:
        """Give a report to all readers. Never waits."""
        self._publish((_REPORT, ""), report.encode())

    async def stop(self) -> None:
        """Part from all readers and remove the socket."""
        if self._server is None:
            return
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self._server.wait_closed()
        self._server = None
        if self._path is not None:
            self._path.unlink(missing_ok=True)

    @property
    def readers(self) -> int:
        """How many are connected now."""
        return len(self._readers)

    def _publish(self, key: tuple[int, str], body: bytes) -> None:
        self._newest[key] = body
        for reader in self._readers:
            reader.put(key, body)

    def _welcome(self, stream: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        # A task of our own: asyncio's reports a cancelled one as an error, with a traceback.
        task = asyncio.create_task(self._serve(stream, writer))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        task.add_done_callback(lambda _: writer.transport.abort())

    async def _serve(self, stream: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if len(self._readers) >= _READERS_MOST:
            _log.warning("reader refused", reason=f"there are {_READERS_MOST} already")
            return
        reader = _Reader(writer, self._newest)
        self._readers.add(reader)
        sending = asyncio.create_task(reader.send())
        try:
            await self._take_commands(stream, reader)
        except _BrokenMessage as error:
            _log.warning("reader cut off", reason=str(error))
        except (asyncio.IncompleteReadError, OSError):
            pass  # it left, or it was stuck; a reader comes again by itself
        finally:
            self._readers.discard(reader)
            sending.cancel()
            await asyncio.gather(sending, return_exceptions=True)

    async def _take_commands(self, stream: asyncio.StreamReader, reader: "_Reader") -> None:
        while True:
            kind, body = await _receive(stream, _COMMAND_MOST_BYTES)
            if kind != _COMMAND:
                raise _BrokenMessage(f"a message of kind {kind} is not a command")
            number, command = _decode_command(body)
            try:
                async with asyncio.timeout(_TAKEN_WITHIN_S):
                    answer = await self._on_command(command)
            except TimeoutError:
                answer = (
                    f"The field side did not take the order within {_TAKEN_WITHIN_S:.0f} s. "
                    "See the alarm's state before ordering again."
                )
            except Exception:
                _log.exception("order failed", order=str(command.order), alarm=command.alarm)
                answer = "The field side failed over this order; its log tells more."
            reader.answer(number, answer)


class _Reader:
    """One connection and what still has to go out on it: at most one message of each key."""

    def __init__(self, writer: asyncio.StreamWriter, newest: dict[tuple[int, str], bytes]) -> None:
        self._writer = writer
        self._pending = dict(newest)
        self._answers = 0
        self._wake = asyncio.Event()
        self._wake.set()
        # So that `drain` means: all of it is in the kernel. Then one message is all we hold.
        writer.transport.set_write_buffer_limits(high=0)

    def put(self, key: tuple[int, str], body: bytes) -> None:
        """The newest of its key replaces an unsent one and keeps its place in the row."""
        self._pending[key] = body
        self._wake.set()

    def answer(self, number: int, text: str) -> None:
        if self._answers >= _ORDERS_WAITING_MOST:
            raise _BrokenMessage("it orders without reading the answers")
        self._answers += 1
        self.put((_ANSWER, str(number)), json.dumps([number, text]).encode())

    async def send(self) -> None:
        """Send until cancelled; a reader that takes nothing for long is cut off."""
        try:
            while True:
                await self._wake.wait()
                self._wake.clear()
                while self._pending:
                    key = next(iter(self._pending))
                    kind, body = key[0], self._pending.pop(key)
                    self._answers -= kind == _ANSWER
                    self._writer.writelines((_HEADER.pack(len(body), kind), body))
                    async with asyncio.timeout(_STUCK_AFTER_S):
                        await self._writer.drain()
        except TimeoutError:
            _log.warning("reader cut off", reason=f"it took nothing for {_STUCK_AFTER_S:.0f} s")
        except OSError:
            pass  # it left
        finally:
            self._writer.transport.abort()  # the receiving half notices and ends


class WallClient:
    """A reader's end. `run` keeps the connection, `order` sends a command over it.

    Raises WallError for a path that no socket can have.
    """

    def __init__(self, path: Path) -> None:
        check_length(path)
        self._path = path
        self._writer: asyncio.StreamWriter | None = None
        self._connected = asyncio.Event()
        self._numbers = itertools.count(1)
        self._waiting: dict[int, asyncio.Future[str]] = {}

    async def run(
        self, on_frame: Callable[[Frame], None], on_report: Callable[[FieldReport], None]
    ) -> None:
        """Read until cancelled, connecting again as often as needed."""
        retry_s = _RETRY_FIRST_S
        told = ""
        while True:
            reason = "the field side closed the connection"
            received = False
            try:
                async with asyncio.timeout(_CONNECT_WITHIN_S):
                    stream, writer = await asyncio.open_unix_connection(self._path)
                self._writer = writer
                self._connected.set()
                try:
                    while True:
                        kind, body = await _receive(stream, _FRAME_MOST_BYTES)
                        self._take(kind, body, on_frame, on_report)
                        if not received:
                            received, retry_s, told = True, _RETRY_FIRST_S, ""
                            _log.info("field side connected", path=str(self._path))
                finally:
                    self._writer = None
                    self._connected.clear()
                    writer.transport.abort()
                    self._give_up_orders()
            except (OSError, TimeoutError, _BrokenMessage) as error:
                reason = str(error) or type(error).__name__
            except asyncio.IncompleteReadError:
                pass
            if reason != told:
                _log.warning("no connection to the field side", path=str(self._path), reason=reason)
                told = reason
            await asyncio.sleep(retry_s)
            retry_s = min(2 * retry_s, _RETRY_MOST_S)

    async def order(self, command: Command) -> str:
        """Send a command; "" when it is accepted, else the reason why it is not."""
        if len(self._waiting) >= _ORDERS_WAITING_MOST:
            return "Too many orders wait for an answer, so this one was not sent. Try again soon."
        if not math.isfinite(command.duration_s):
            return f"A shelving of {command.duration_s} s has no end. Say how long it is to last."
        if not _is_text(command.alarm, command.who, command.why):
            return "The order has characters that cannot be printed. Write one line of plain text."
        number = next(self._numbers)
        body = json.dumps(
            [
                number,
                command.order,
                command.alarm,
                command.who,
                command.why,
                float(command.duration_s),
            ]
        ).encode()
        if len(body) > _COMMAND_MOST_BYTES:
            return f"The order is longer than {_COMMAND_MOST_BYTES} bytes. Shorten its reason."
        answer: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self._waiting[number] = answer
        sent = False
        try:
            async with asyncio.timeout(_ANSWERED_WITHIN_S):
                while self._writer is None:
                    await self._connected.wait()
                self._writer.write(_HEADER.pack(len(body), _COMMAND) + body)
                sent = True
                return await answer
        except TimeoutError:
            if not sent:
                return "The field side is not connected, so the order was not sent. Try again soon."
            return (
                f"The field side did not answer within {_ANSWERED_WITHIN_S:.0f} s, so it is not "
                "known whether the order was taken. See the alarm's state before ordering again."
            )
        finally:
            del self._waiting[number]

    def _take(
        self,
        kind: int,
        body: bytes,
        on_frame: Callable[[Frame], None],
        on_report: Callable[[FieldReport], None],
    ) -> None:
        if kind == _FRAME:
            on_frame(_decoded(Frame.decode, body))
        elif kind == _REPORT:
            on_report(_decoded(FieldReport.decode, body))
        elif kind == _ANSWER:
            number, text = _decode_answer(body)
            waiting = self._waiting.get(number)  # None: its time was up
            if waiting is not None and not waiting.done():
                waiting.set_result(text)
        else:
            raise _BrokenMessage(f"messages of kind {kind} are not known")

    def _give_up_orders(self) -> None:
        for waiting in self._waiting.values():
            if not waiting.done():
                waiting.set_result(
                    "The connection to the field side was lost, so it is not known whether the "
                    "order was taken. See the alarm's state before ordering again."
                )


def check_length(path: Path) -> None:
    """Raises WallError if the system has no room for the path of a socket."""
    length = len(os.fsencode(path))
    if length > _PATH_MOST_BYTES:
        raise WallError(
            f"the socket path {path} has {length} bytes, the system allows {_PATH_MOST_BYTES}. "
            "Choose a state directory with a shorter path."
        )


def _listening(path: Path) -> socket.socket:
    """A listening socket at `path` in place of a stale one, of mode 0600 from the beginning."""
    check_length(path)
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        with contextlib.suppress(FileNotFoundError):
            if not stat.S_ISSOCK(path.lstat().st_mode):
                raise WallError(
                    f"{path} exists and is not a socket. Move it away or choose another "
                    "state directory."
                )
            path.unlink()
        # Linux gives the file the mode of the socket, so nobody gets in before a chmod.
        os.fchmod(listener.fileno(), 0o600)
        listener.bind(os.fspath(path))
        listener.listen(_READERS_MOST)
    except OSError as error:
        listener.close()
        raise WallError(
            f"cannot listen on {path}: {error.strerror or error}. Check that its directory "
            "exists and that this user may write there."
        ) from error
    except WallError:
        listener.close()
        raise
    return listener


async def _receive(stream: asyncio.StreamReader, most_bytes: int) -> tuple[int, bytes]:
    """The next message. Raises _BrokenMessage for one too long or not complete in time."""
    length, kind = _HEADER.unpack(await stream.readexactly(_HEADER.size))
    if length > most_bytes:
        raise _BrokenMessage(f"a message of {length} bytes is longer than {most_bytes}")
    try:
        async with asyncio.timeout(_BODY_WITHIN_S):
            return kind, await stream.readexactly(length)
    except TimeoutError:
        raise _BrokenMessage(f"half a message and no more in {_BODY_WITHIN_S:.0f} s") from None


def _decoded(decode: Callable[[bytes], _Decoded], body: bytes) -> _Decoded:
    try:
        return decode(body)
    except (ValueError, RecursionError) as error:  # the latter from deeply nested JSON
        raise _BrokenMessage(str(error)) from error


def _decode_command(body: bytes) -> tuple[int, Command]:
    match _decoded(json.loads, body):
        case [
            int(number),
            str(order),
            str(alarm),
            str(who),
            str(why),
            float(duration_s),
        ] if order in set(Order) and math.isfinite(duration_s) and _is_text(alarm, who, why):
            return number, Command(Order(order), alarm, who, why, duration_s)
        case _:
            raise _BrokenMessage("a command of another form")


def _is_text(*texts: str) -> bool:
    """Whether they can be shown to another person as they are.

    Half a surrogate pair cannot be written as UTF-8, as a Frame is; a control character would
    write over the terminal of whoever reads the journal.
    """
    return all(text.isprintable() for text in texts)


def _decode_answer(body: bytes) -> tuple[int, str]:
    match _decoded(json.loads, body):
        case [int(number), str(text)]:
            return number, text
        case _:
            raise _BrokenMessage("an answer of another form")
