"""Sites to read, and devices that answer well or badly, on real sockets and pseudo-terminals."""

import asyncio
import os
import struct
import threading
import time
import tty
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Sequence
from select import select
from typing import Any

import pytest

from gateway.site.installed import Site
from gateway.site.model import SiteFile
from gateway.site.profile import DeviceProfile
from gateway.tags import Instant, Reading

REGISTERS = [(7 * i) & 0xFFFF for i in range(65536)]


@pytest.fixture
def now() -> Callable[[], Instant]:
    return lambda: Instant(time.time_ns(), time.monotonic_ns())


@pytest.fixture
def crc() -> Callable[[bytes], bytes]:
    return crc16


@pytest.fixture
def site_of() -> Callable[..., Site]:
    """A site of these links, devices and profiles; a signal for each named point."""

    def build(
        links: Sequence[dict[str, Any]],
        devices: Sequence[dict[str, Any]],
        profiles: Sequence[dict[str, Any]],
        points: Sequence[str],
    ) -> Site:
        machine = {
            "name": "g1",
            "field_winding": {"rated_field_voltage": "350 V"},
            "access": "optical link",
            "detection": "DC injection",
        }
        signals = [
            {
                "kind": "register",
                "tag": f"t{i}",
                "machine": "g1",
                "point": point,
                "unit": "kohm",
                "range": ("0 kohm", "100 kohm"),
            }
            for i, point in enumerate(points)
        ]
        file = SiteFile.model_validate(
            {
                "site": "Heron Falls",
                "machines": (machine,),
                "links": tuple(links),
                "devices": tuple(devices),
                "signals": tuple(signals),
            }
        )
        joined = {p["profile"]: DeviceProfile.model_validate(p) for p in profiles}
        return Site(file, joined)

    return build


class Heard:
    """Where readings are delivered to; one can wait for them."""

    def __init__(self) -> None:
        self.batches: list[list[Reading]] = []
        self._news = asyncio.Event()

    def __call__(self, readings: Sequence[Reading]) -> None:
        self.batches.append(list(readings))
        self._news.set()

    @property
    def readings(self) -> list[Reading]:
        return [r for batch in self.batches for r in batch]

    def of(self, device: str) -> list[Reading]:
        return [r for r in self.readings if r.point.startswith(device + ".")]

    async def until(self, enough: Callable[[], bool], timeout_s: float = 10.0) -> None:
        async with asyncio.timeout(timeout_s):
            while not enough():
                self._news.clear()
                await self._news.wait()


@pytest.fixture
def heard() -> Heard:
    return Heard()


# --- TCP -------------------------------------------------------------------------------------

# What a device does with a request: (transaction, unit, pdu) -> bytes to send now, or an
# awaitable that sends by itself, or None to close.
Behaviour = Callable[[bytes, int, bytes], bytes | None]


def good_pdu(pdu: bytes) -> bytes:
    """A good reply from the table REGISTERS; bits are its lowest bits."""
    function, address, count = struct.unpack(">BHH", pdu)
    values = REGISTERS[address : address + count]
    if function in (1, 2):
        packed = bytearray((count + 7) // 8)
        for i, value in enumerate(values):
            packed[i >> 3] |= (value & 1) << (i & 7)
        return bytes((function, len(packed))) + packed
    return bytes((function, 2 * count)) + struct.pack(f">{count}H", *values)


def tcp_frame(transaction: bytes, unit: int, pdu: bytes) -> bytes:
    return transaction + struct.pack(">HHB", 0, len(pdu) + 1, unit) + pdu


class TcpDevice:
    """A Modbus TCP device whose behaviour can be changed while it runs."""

    def __init__(self) -> None:
        self.requests: list[bytes] = []  # unit and PDU
        self.connections = 0
        self.reply: Callable[[bytes, int, bytes], bytes | None] = self.good
        self.piecewise = False  # one byte at a time
        self.delay_s = 0.0
        self.port = 0
        self._writers: set[asyncio.StreamWriter] = set()
        self._serving: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None

    @staticmethod
    def good(transaction: bytes, unit: int, pdu: bytes) -> bytes | None:
        return tcp_frame(transaction, unit, good_pdu(pdu))

    frame = staticmethod(tcp_frame)
    good_pdu = staticmethod(good_pdu)

    async def start(self, port: int = 0) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()
            for writer in list(self._writers):
                writer.transport.abort()
            await self._server.wait_closed()
            self._server = None
        if self._serving:
            await asyncio.wait(self._serving)

    async def all_closed(self, timeout_s: float = 1.0) -> None:
        """Wait until the last client has closed its connection."""
        if self._serving:
            _, open_ = await asyncio.wait(self._serving, timeout=timeout_s)
            assert not open_

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self._writers.add(writer)
        task = asyncio.current_task()
        self._serving.add(task)
        task.add_done_callback(self._serving.discard)
        try:
            while True:
                head = await reader.readexactly(7)
                pdu = await reader.readexactly(int.from_bytes(head[4:6], "big") - 1)
                self.requests.append(head[6:] + pdu)
                data = self.reply(head[:2], head[6], pdu)
                if self.delay_s:
                    await asyncio.sleep(self.delay_s)
                if data is None:
                    break
                for i in range(0, len(data), 1 if self.piecewise else len(data) or 1):
                    writer.write(data[i : i + 1] if self.piecewise else data)
                    await writer.drain()
                    if self.piecewise:
                        await asyncio.sleep(0.0005)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            self._writers.discard(writer)
            writer.close()


@pytest.fixture
async def tcp_device() -> AsyncIterator[Callable[[], Awaitable[TcpDevice]]]:
    devices: list[TcpDevice] = []

    async def start() -> TcpDevice:
        device = TcpDevice()
        await device.start()
        devices.append(device)
        return device

    yield start
    for device in devices:
        await device.stop()


# --- RTU -------------------------------------------------------------------------------------


def crc16(data: bytes) -> bytes:
    """CRC-16 bit by bit, as it goes over the wire; written independently of any table."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc.to_bytes(2, "little")


class RtuLine:
    """A pseudo-terminal with all units behind it. `reply(frame)` gives (delay_s, bytes) parts."""

    def __init__(self) -> None:
        self._here, self._there = os.openpty()
        tty.setraw(self._here)
        tty.setraw(self._there)
        self.path = os.ttyname(self._there)
        self.requests: list[tuple[float, bytes]] = []  # monotonic seconds, frame
        self.replied_s: list[float] = []  # when each part of a reply was written
        self.silent_units: set[int] = set()
        self.reply: Callable[[bytes], Sequence[tuple[float, bytes]]] = self.good
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    crc = staticmethod(crc16)

    def good(self, frame: bytes) -> Sequence[tuple[float, bytes]]:
        if frame[0] in self.silent_units:
            return ()
        body = frame[:1] + good_pdu(frame[1:-2])
        return ((0.0, body + crc16(body)),)

    def close(self) -> None:
        self._stop.set()
        self._thread.join(5)
        os.close(self._here)
        os.close(self._there)

    def _serve(self) -> None:
        pending: list[tuple[float, bytes]] = []
        buffer = b""
        while not self._stop.is_set():
            now_s = time.monotonic()
            while pending and pending[0][0] <= now_s:
                self.replied_s.append(time.monotonic())
                os.write(self._here, pending.pop(0)[1])
            wait_s = min(0.02, pending[0][0] - now_s) if pending else 0.02
            if not select([self._here], [], [], max(0.0, wait_s))[0]:
                continue
            buffer += os.read(self._here, 256)
            while len(buffer) >= 8:
                frame, buffer = buffer[:8], buffer[8:]
                now_s = time.monotonic()
                self.requests.append((now_s, frame))
                pending += [(now_s + d, data) for d, data in self.reply(frame)]
                pending.sort(key=lambda p: p[0])


@pytest.fixture
def rtu_line() -> Iterator[RtuLine]:
    line = RtuLine()
    yield line
    line.close()


@pytest.fixture(autouse=True)
async def _no_task_left() -> AsyncIterator[None]:
    before = asyncio.all_tasks()
    yield
    left = {t for t in asyncio.all_tasks() - before if t is not asyncio.current_task()}
    assert set() == left
