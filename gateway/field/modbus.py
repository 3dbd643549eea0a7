"""Guarded Modbus reads over TCP and RTU: the one file that knows pymodbus.

No reply leaves here unchecked: unit and transaction in this file, the rest in `reply`. Refuses
to write anything to a device. After an RTU request without a good answer the line is left
quiet, so that a late reply falls into that pause; RTU has no transaction number that would tell
it from the next one.
"""

import asyncio
import logging
import os
import socket
import termios
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Coroutine
from typing import Any, Final, TypeVar, cast

from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest
from pymodbus.transport.serialtransport import SerialTransport

from gateway.field.line_time import exchange_s, silence_s
from gateway.field.plan import reply_bytes
from gateway.field.reply import Answer, Ask, NoAnswer, NoLink, Refused, misfit, words_of
from gateway.field.silence import Sender
from gateway.site.model import ModbusRtuLink, ModbusTcpLink
from gateway.tags import Instant

# An odd frame makes the library dump its last frames at ERROR; our own texts say what matters.
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)

_REQUESTS: Final[dict[int, type[ModbusPDU]]] = {
    1: ReadCoilsRequest,
    2: ReadDiscreteInputsRequest,
    3: ReadHoldingRegistersRequest,
    4: ReadInputRegistersRequest,
}
_PARITIES: Final = {"even": "E", "odd": "O", "none": "N"}
# Half-open links are found in a quarter of a minute (common practice, no source).
_KEEPALIVE_S: Final = 5
_KEEPALIVE: Final = (
    (socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1),
    (socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, _KEEPALIVE_S),
    (socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, _KEEPALIVE_S),
    (socket.IPPROTO_TCP, socket.TCP_KEEPCNT, 2),
    (socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, 3_000 * _KEEPALIVE_S),
)
# Time-outs of a second and more are usual on serial lines (Serial Line V1.02, 2.4.1), so an
# answer may be that late.
_LATE_S: Final = 1.0
_RTU_FRAME_BYTES: Final = 5

_T = TypeVar("_T")


class _Raw(ModbusPDU):
    """A reply as it came: function code and what follows."""

    frame: bytes


class _AsItCame(DecodePDU):
    """Hands frames through undecoded, stamped. The library's decoder pads and trims, and raises
    inside the transport's callback where it can do neither."""

    def __init__(self, now: Callable[[], Instant]) -> None:
        super().__init__(False)
        self._now = now
        self.arrived = Instant(0, 0)

    def lookupPduClass(self, data: bytes) -> type[ModbusPDU] | None:
        """The type that tells how long an RTU frame is; None for what no reply can begin with."""
        if data[1] & 0x7F not in _REQUESTS:
            return None
        return ExceptionResponse if data[1] & 0x80 else super().lookupPduClass(data)

    def decode(self, frame: bytes) -> ModbusPDU:
        self.arrived = self._now()
        reply = _Raw()
        reply.frame = frame
        return reply


class Master(ABC):
    """One connection or line. Reads one at a time; connects when it has to.

    `read` may be cancelled: that counts as a request without answer, like a timeout.
    """

    shared: bool  # whether several devices depend on it

    def __init__(self, name: str, timeout_s: float, now: Callable[[], Instant]) -> None:
        self.name = name
        self.timeout_s = timeout_s
        self.was_connected = False  # ever
        self._decoder = _AsItCame(now)
        self._lock = asyncio.Lock()
        self._client: _Client | None = None
        self._pending: asyncio.Future[_Raw] | None = None
        self._heard_bytes = 0  # since the request went out

    @property
    def connected(self) -> bool:
        return self._client is not None and self._client.connected

    async def read(self, ask: Ask) -> Answer:
        """What the device says. Raises NoLink, NoAnswer, Misfit or Refused."""
        async with self._lock:
            client = self._client
            if client is None or not client.connected:
                client = await _heeding(self._connect())
            await self._ready(client, ask)
            return await self._exchange(client, ask)

    def close(self) -> None:
        """Close at once. The next read connects again."""
        if self._client is not None:
            self._client.close()
            self._client = None

    def quiet_s(self, ask: Ask) -> float:
        """How long the line stays unused after this read has failed."""
        return 0.0

    def rest_s(self, unit: int) -> float:
        """For how long this unit is not asked again, because an old answer may still come."""
        return 0.0

    async def _connect(self) -> "_Client":
        self.close()
        client = self._new_client()
        client.ctx.framer.decoder = self._decoder
        try:
            made = await self._open(client)
        except (OSError, ValueError, termios.error):
            made = False
        except BaseException:
            client.close()
            raise
        if not made:
            client.close()
            raise NoLink(f"link {self.name}: {self._unmade}")
        self.was_connected = True
        self._client = client
        return client

    async def _exchange(self, client: "_Client", ask: Ask) -> Answer:
        # The library's own `execute` does this too, with a second lock, retries, and a way of
        # waiting that up to Python 3.11 loses a cancellation that comes with the reply.
        loop, transactions = asyncio.get_running_loop(), client.ctx
        request = _REQUESTS[ask.function](dev_id=ask.unit, address=ask.address, count=ask.count)
        request.transaction_id = transactions.getNextTID()
        transactions.recv_buffer = b""
        reply: asyncio.Future[_Raw] = loop.create_future()
        transactions.response_future = self._pending = reply
        self._heard_bytes = 0
        expiry = loop.call_later(self._patience_s(ask), _expire, reply)
        try:
            transactions.pdu_send(request)
            raw = await reply
            # The library lets transaction number 0 pass for any other, and any unit for unit 0.
            if raw.dev_id != ask.unit or raw.transaction_id != request.transaction_id:
                raise misfit(ask, self.name, "the reply is for another unit or another request")
            return Answer(words_of(raw.frame, ask, self.name), self._decoder.arrived)
        except Refused:
            raise
        except TimeoutError:
            self._spoiled(ask)
            if self._heard_bytes:
                raise misfit(
                    ask, self.name, f"{self._heard_bytes} bytes came, but no good reply among them"
                ) from None
            raise NoAnswer(
                f"link {self.name}, {ask}: no answer within {self.timeout_s:g} s; is the device "
                "on, and are unit and line settings right?"
            ) from None
        except ConnectionError:
            self._spoiled(ask)
            raise misfit(ask, self.name, "the link fell before the reply was whole") from None
        except BaseException:
            self._spoiled(ask)
            raise
        finally:
            expiry.cancel()
            self._pending = None

    def _packet(self, sending: bool, data: bytes) -> bytes:
        if not sending:
            self._heard_bytes = max(self._heard_bytes, len(data))
        return data

    def _turned(self, up: bool) -> None:
        # The library leaves a waiting call to its timeout when the peer closes.
        if not up and self._pending is not None and not self._pending.done():
            self._pending.set_exception(ConnectionError())

    def _patience_s(self, ask: Ask) -> float:
        """From now until the reply must be whole."""
        return self.timeout_s

    @property
    @abstractmethod
    def _unmade(self) -> str:
        """The text for a link that cannot be made."""

    @abstractmethod
    def _new_client(self) -> "_Client": ...

    @abstractmethod
    async def _open(self, client: "_Client") -> bool: ...

    @abstractmethod
    async def _ready(self, client: "_Client", ask: Ask) -> None:
        """Wait until the request may go out."""

    @abstractmethod
    def _spoiled(self, ask: Ask) -> None:
        """A request went out and no good reply came."""


class TcpMaster(Master):
    """One TCP connection of its own to one device."""

    shared = False

    def __init__(self, link: ModbusTcpLink, now: Callable[[], Instant]) -> None:
        super().__init__(link.name, link.timeout, now)
        self._link = link

    @property
    def _unmade(self) -> str:
        return (
            f"no connection to {self._link.host} port {self._link.port} within "
            f"{self.timeout_s:g} s; is the device on, and are address and port right?"
        )

    def _new_client(self) -> "_Client":
        return AsyncModbusTcpClient(
            self._link.host,
            port=self._link.port,
            name=self.name,
            timeout=self.timeout_s,
            retries=0,
            reconnect_delay=0,  # its own reconnecting would race ours
            trace_packet=self._packet,
            trace_connect=self._turned,
        )

    async def _open(self, client: "_Client") -> bool:
        if not await client.connect():
            return False
        peer = client.ctx.transport.get_extra_info("socket")
        for level, option, value in _KEEPALIVE:
            peer.setsockopt(level, option, value)
        return True

    async def _ready(self, client: "_Client", ask: Ask) -> None:
        return

    def _spoiled(self, ask: Ask) -> None:
        # What follows in the stream may be the rest of this reply. A merely late one is told by
        # its transaction number, so silence alone does not cost the connection.
        if self._heard_bytes:
            self.close()


class RtuMaster(Master):
    """One serial line with all its units, and the silences that RTU needs."""

    shared = True

    def __init__(self, link: ModbusRtuLink, now: Callable[[], Instant]) -> None:
        super().__init__(link.name, link.timeout, now)
        self._link = link
        self._silence_s = silence_s(link.baud)
        self._quiet_until_s = 0.0
        self._resting: dict[int, float] = {}  # unit: until when
        self._sender: Sender | None = None
        self._stale_bytes = 0  # in the library's buffer, from before the request went out

    def close(self) -> None:
        super().close()
        if self._sender is not None:
            self._sender.close()
            self._sender = None

    def quiet_s(self, ask: Ask) -> float:
        """Long enough for a reply that had just begun."""
        return exchange_s(self._link.baud, ask.function, ask.count) + self._silence_s

    def rest_s(self, unit: int) -> float:
        return max(0.0, self._resting.get(unit, 0.0) - time.monotonic())

    @property
    def _unmade(self) -> str:
        return (
            f"serial port {self._link.line} cannot be opened; is it there, used by nobody else, "
            "and may this user use it?"
        )

    def _new_client(self) -> "_Client":
        return AsyncModbusSerialClient(
            self._link.line,
            framer=FramerType.RTU,
            baudrate=self._link.baud,
            parity=_parity(self._link),
            stopbits=2 if self._link.parity == "none" else 1,  # Serial Line V1.02, 2.5.1
            name=self.name,
            timeout=self.timeout_s,
            retries=0,
            reconnect_delay=0,
            trace_packet=self._packet,
            trace_connect=self._turned,
        )

    async def _open(self, client: "_Client") -> bool:
        # Takes no time but three turns of the loop, and may not be broken off between them: the
        # library would later set up a port that is closed already.
        opening = asyncio.ensure_future(_open_and_settle(client))
        try:
            made = await asyncio.shield(opening)
        except asyncio.CancelledError:
            await asyncio.wait({opening})
            raise
        if made:
            port = cast(SerialTransport, client.ctx.transport).sync_serial.fileno()
            self._sender = Sender(self.name, port, self._silence_s, self.timeout_s)
            client.ctx.low_level_send = self._send
        return made

    def _patience_s(self, ask: Ask) -> float:
        # The time-out is the device's own; silence and characters need their time too.
        return self.timeout_s + self.quiet_s(ask)

    async def _ready(self, client: "_Client", ask: Ask) -> None:
        pause_s = max(self._quiet_until_s - time.monotonic(), self.rest_s(ask.unit))
        if pause_s > 0:
            await asyncio.sleep(pause_s)
        self._resting.pop(ask.unit, None)
        self._stale_bytes = 0

    def _spoiled(self, ask: Ask) -> None:
        ended_s = time.monotonic()
        self._quiet_until_s = ended_s + self.quiet_s(ask)
        if self._heard_bytes < _RTU_FRAME_BYTES + reply_bytes(ask.function, ask.count):
            self._resting[ask.unit] = ended_s + max(self.timeout_s, _LATE_S)

    def _send(self, data: bytes, addr: object = None) -> None:
        if self._sender is not None:
            self._sender.send(data)

    def _packet(self, sending: bool, data: bytes) -> bytes:
        if sending or self._sender is None:
            return data
        self._sender.heard()
        super()._packet(sending, data)
        # What comes before the request is on the line is an answer to an older one.
        if not self._sender.sent:
            self._stale_bytes = len(data)
        return data[self._stale_bytes :]


def _expire(reply: "asyncio.Future[_Raw]") -> None:
    if not reply.done():
        reply.set_exception(TimeoutError())


async def _heeding(work: Coroutine[Any, Any, _T]) -> _T:
    """Do the work, and see to it that a cancellation passes.

    Up to Python 3.11 `asyncio.wait_for`, which the library connects with, loses a cancellation that
    comes together with the result.
    """
    task = asyncio.current_task()
    asked = task.cancelling() if task else 0
    try:
        return await work
    finally:
        if task and task.cancelling() > asked:
            raise asyncio.CancelledError


def _parity(link: ModbusRtuLink) -> str:
    # A pseudo-terminal carries whole bytes, and fails where parity is asked of it.
    pseudo = os.path.realpath(link.line).startswith("/dev/pts/")
    return "N" if pseudo else _PARITIES[link.parity]


async def _open_and_settle(client: "_Client") -> bool:
    made = await client.connect()
    for _ in range(3):
        await asyncio.sleep(0)
    return made


_Client = AsyncModbusTcpClient | AsyncModbusSerialClient
