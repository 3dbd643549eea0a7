"""A Modbus TCP server for one image of registers (Modbus Application Protocol V1.1b3).

Knows the protocol and nothing about rotors. Serves functions 3, 4 and 43/14 (device
identification, basic), and function 6 where the owner takes orders. Every request is answered
in its turn, however many arrive in one segment. Refuses other functions (exception 01), other
unit ids (0B), bad quantities (03), addresses beyond the image (02), a frame that is no Modbus
(the connection is closed), and more than a bounded number of connections; a connection without
a complete request for a while is closed.
"""

import asyncio
import struct
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Final, cast

import structlog

log = structlog.get_logger("gateway.serve")

ILLEGAL_FUNCTION: Final = 0x01
ILLEGAL_DATA_ADDRESS: Final = 0x02
ILLEGAL_DATA_VALUE: Final = 0x03
SERVER_DEVICE_FAILURE: Final = 0x04
GATEWAY_TARGET_FAILED: Final = 0x0B
# Messaging on TCP/IP V1.0b, 4.4.2: a device that is addressed by its IP alone.
THE_DEVICE_ITSELF: Final = 0xFF

READ_HOLDING: Final = 3
READ_INPUT: Final = 4
WRITE_SINGLE: Final = 6
ENCAPSULATED: Final = 43
MOST_REGISTERS: Final = 125  # V1.1b3, 6.3 and 6.4

_HEADER: Final = struct.Struct(">HHHB")
_TWO_WORDS: Final = struct.Struct(">HH")
# MBAP length counts the unit id and a PDU of 1 to 253 bytes.
_SHORTEST, _LONGEST = 2, 254
# Answers are handed to the socket in pieces of this size, so that one full receive buffer
# cannot become megabytes of answers before the back-pressure of the socket is seen.
_WRITE_AT_BYTES: Final = 32768
_TOLD_AGAIN_AFTER_S: Final = 60.0

Snapshot = Callable[[], bytes]
"""The registers of one moment, two bytes each."""
TakeWrite = Callable[[int, int, str], Awaitable[int]]
"""Takes (address, value, peer address); 0 when done, else the exception code."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What one server takes on. Common practice, no source."""

    connections: int = 32
    idle_s: float = 60.0
    write_timeout_s: float = 5.0  # for the owner to take a written value


@dataclass(slots=True)
class UnwelcomePeers:
    """Tells the log of unwelcome peers: of each kind at once, then once a minute with a count.

    A peer that comes again as fast as it can must not fill the disk.
    """

    untold: dict[str, int] = field(default_factory=dict)
    again_s: dict[str, float] = field(default_factory=dict)

    def tell(self, what: str, peer: str) -> None:
        now_s = asyncio.get_running_loop().time()
        if now_s < self.again_s.get(what, 0.0):
            self.untold[what] = self.untold.get(what, 0) + 1
            return
        self.again_s[what] = now_s + _TOLD_AGAIN_AFTER_S
        log.warning(f"modbus connection {what}", peer=peer, untold=self.untold.pop(what, 0))


@dataclass(frozen=True, slots=True)
class Identity:
    """Basic device identification (V1.1b3, 6.21)."""

    vendor: str
    product: str
    revision: str

    def objects(self) -> tuple[bytes, ...]:
        return tuple(t.encode()[:60] for t in (self.vendor, self.product, self.revision))


@dataclass(slots=True)
class ModbusServer:
    """What all connections share. `take_write` None: function 6 is unknown."""

    unit_id: int
    snapshot: Snapshot
    identity: Identity
    take_write: TakeWrite | None = None
    limits: Limits = field(default_factory=Limits)
    connections: set["ModbusConnection"] = field(default_factory=set)
    unwelcome: UnwelcomePeers = field(default_factory=UnwelcomePeers)

    async def listen(self, host: str, port: int) -> asyncio.Server:
        """Begins to accept connections. Raises OSError."""
        return await asyncio.get_running_loop().create_server(
            lambda: ModbusConnection(self), host, port
        )

    def close_connections(self) -> None:
        for connection in tuple(self.connections):
            connection.close()

    def is_addressed(self, unit_id: int) -> bool:
        """Whether a request is for this server: its own number, or 255, 'the device itself'."""
        return unit_id in (self.unit_id, THE_DEVICE_ITSELF)

    def answer(self, unit_id: int, pdu: bytes) -> bytes:
        """The answer to one request that changes nothing."""
        function = pdu[0]
        if not self.is_addressed(unit_id):
            return refusal(function, GATEWAY_TARGET_FAILED)
        if function in (READ_HOLDING, READ_INPUT):
            return read_registers(pdu, self.snapshot())
        if function == ENCAPSULATED:
            return read_identification(pdu, self.identity.objects())
        return refusal(function, ILLEGAL_FUNCTION)


def refusal(function: int, code: int) -> bytes:
    """An exception response."""
    return bytes((function | 0x80, code))


def read_registers(pdu: bytes, image: bytes) -> bytes:
    """Functions 3 and 4 (V1.1b3, 6.3 and 6.4) on an image of registers."""
    function = pdu[0]
    if len(pdu) != 5:
        return refusal(function, ILLEGAL_DATA_VALUE)
    address, quantity = _TWO_WORDS.unpack_from(pdu, 1)
    if not 1 <= quantity <= MOST_REGISTERS:
        return refusal(function, ILLEGAL_DATA_VALUE)
    first, end = 2 * address, 2 * (address + quantity)
    if end > len(image):
        return refusal(function, ILLEGAL_DATA_ADDRESS)
    return bytes((function, end - first)) + image[first:end]


def read_identification(pdu: bytes, objects: tuple[bytes, ...]) -> bytes:
    """Function 43/14 (V1.1b3, 6.21), stream access to the basic objects only.

    A request for more than the basic category is answered with what there is, as the
    specification asks; one for a single object is refused.
    """
    if len(pdu) < 2 or pdu[1] != 0x0E:
        return refusal(ENCAPSULATED, ILLEGAL_FUNCTION)
    if len(pdu) != 4 or pdu[2] not in (1, 2, 3):
        return refusal(ENCAPSULATED, ILLEGAL_DATA_VALUE)
    first = pdu[3] if pdu[3] < len(objects) else 0
    body = b"".join(bytes((n, len(objects[n]))) + objects[n] for n in range(first, len(objects)))
    conformity_stream_basic, more_follows, next_object = 1, 0, 0
    return (
        bytes(
            (
                ENCAPSULATED,
                0x0E,
                pdu[2],
                conformity_stream_basic,
                more_follows,
                next_object,
                len(objects) - first,
            )
        )
        + body
    )


class ModbusConnection(asyncio.Protocol):
    """One client."""

    def __init__(self, server: ModbusServer) -> None:
        self._server = server
        self._transport: asyncio.Transport | None = None
        self._peer = ""
        self._received = b""
        self._last_request_s = 0.0
        self._idle: asyncio.TimerHandle | None = None
        self._write: asyncio.Task[None] | None = None
        self._peer_is_slow = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._peer = str((transport.get_extra_info("peername") or ("unknown",))[0])
        if len(self._server.connections) >= self._server.limits.connections:
            most = self._server.limits.connections
            self._server.unwelcome.tell(f"refused: there are {most} already", self._peer)
            cast(asyncio.Transport, transport).abort()
            return
        self._transport = cast(asyncio.Transport, transport)  # what create_server hands out
        self._server.connections.add(self)
        loop = asyncio.get_running_loop()
        self._last_request_s = loop.time()
        self._idle = loop.call_later(self._server.limits.idle_s, self._close_if_idle)

    def connection_lost(self, exc: Exception | None) -> None:
        self._server.connections.discard(self)
        self._transport = None
        if self._idle is not None:
            self._idle.cancel()
        if self._write is not None:
            self._write.cancel()

    @property
    def waiting_bytes(self) -> int:
        """Answers that the client has not taken yet."""
        return 0 if self._transport is None else self._transport.get_write_buffer_size()

    def close(self) -> None:
        """Closes at once; what was not sent is lost."""
        if self._transport is not None:
            self._transport.abort()

    def pause_writing(self) -> None:
        self._peer_is_slow = True
        self._adjust_reading()

    def resume_writing(self) -> None:
        self._peer_is_slow = False
        self._answer_received()
        self._adjust_reading()

    def data_received(self, data: bytes) -> None:
        self._received += data
        self._answer_received()
        self._adjust_reading()

    def _adjust_reading(self) -> None:
        # A client that does not read, or whose order is being taken, must not fill our memory.
        transport = self._transport
        if transport is None or transport.is_closing():
            return
        if self._peer_is_slow or self._write is not None:
            transport.pause_reading()
        else:
            transport.resume_reading()

    def _answer_received(self) -> None:
        received, at, size = self._received, 0, 0
        answers: list[bytes] = []
        server = self._server
        while (
            self._write is None
            and not self._peer_is_slow
            and self._transport is not None
            and len(received) - at >= _HEADER.size
        ):
            transaction, protocol, length, unit_id = _HEADER.unpack_from(received, at)
            if protocol != 0 or not _SHORTEST <= length <= _LONGEST:
                server.unwelcome.tell("closed: not Modbus TCP", self._peer)
                self._send(answers)
                self._received = b""
                self._transport.close()
                return
            end = at + 6 + length
            if end > len(received):
                break
            pdu = received[at + 7 : end]
            at = end
            self._last_request_s = asyncio.get_running_loop().time()
            if pdu[0] == WRITE_SINGLE and server.is_addressed(unit_id) and server.take_write:
                self._begin_write(server.take_write, transaction, unit_id, pdu)
                continue
            answer = server.answer(unit_id, pdu)
            answers.append(_HEADER.pack(transaction, 0, len(answer) + 1, unit_id) + answer)
            size += len(answer) + _HEADER.size
            if size >= _WRITE_AT_BYTES:
                self._send(answers)
                answers, size = [], 0
        self._send(answers)
        self._received = received[at:]

    def _send(self, answers: list[bytes]) -> None:
        # What is lost meanwhile takes no more: asyncio would log each piece.
        if answers and self._transport is not None and not self._transport.is_closing():
            self._transport.write(b"".join(answers))

    def _begin_write(self, take: TakeWrite, transaction: int, unit_id: int, pdu: bytes) -> None:
        self._write = asyncio.get_running_loop().create_task(
            self._take_write(take, transaction, unit_id, pdu)
        )

    async def _take_write(
        self, take: TakeWrite, transaction: int, unit_id: int, pdu: bytes
    ) -> None:
        """Function 6 (V1.1b3, 6.6): the answer echoes the request."""
        code = ILLEGAL_DATA_VALUE
        try:
            if len(pdu) == 5:
                address, value = _TWO_WORDS.unpack_from(pdu, 1)
                async with asyncio.timeout(self._server.limits.write_timeout_s):
                    code = await take(address, value, self._peer)
        except TimeoutError:
            log.warning("modbus write not taken in time", peer=self._peer, register=address)
            code = SERVER_DEVICE_FAILURE
        finally:
            self._write = None
        answer = refusal(WRITE_SINGLE, code) if code else pdu
        self._send([_HEADER.pack(transaction, 0, len(answer) + 1, unit_id) + answer])
        self._answer_received()
        self._adjust_reading()

    def _close_if_idle(self) -> None:
        loop = asyncio.get_running_loop()
        left_s = self._last_request_s + self._server.limits.idle_s - loop.time()
        if left_s > 0 or self._write is not None:
            self._idle = loop.call_later(max(left_s, 1.0), self._close_if_idle)
            return
        self._server.unwelcome.tell("closed: idle", self._peer)
        self.close()
