"""An RTU line without a cable: two pseudo-terminals and a forwarder that may damage bytes.

Bytes take their time on the wire: each arrives after the time that its characters need at the
line's baud rate. Noise turns over one bit of a byte.

A pseudo-terminal knows no parity bit: the gateway's end must be opened without parity.

It refuses to hold more bytes than a wire would: what a reader leaves standing is lost.
"""

from __future__ import annotations

import asyncio
import os
import random
import tty
from contextlib import ExitStack, suppress
from pathlib import Path
from types import TracebackType

# Modbus over serial line V1.02: a character is always 11 bits.
_BITS_PER_CHARACTER = 11
_CHUNK = 512
# Two of the longest frames.
_MOST_IN_FLIGHT = 512


class SimulatorError(Exception):
    """The simulator cannot start or go on; the text says why and what to do."""


class _Direction:
    """One direction of a line, from the master side of one pseudo-terminal to another."""

    def __init__(self, source: int, sink: int, baud: int, noise: random.Random) -> None:
        self.bit_flips = 0.0
        self._source, self._sink = source, sink
        self._character_s = _BITS_PER_CHARACTER / baud
        self._noise = noise
        self._loop = asyncio.get_running_loop()
        self._free_at_s = 0.0
        self._pending: set[asyncio.TimerHandle] = set()
        self._in_flight = 0
        self._loop.add_reader(source, self._read)

    def close(self) -> None:
        self._loop.remove_reader(self._source)
        for handle in self._pending:
            handle.cancel()
        self._pending.clear()

    def _read(self) -> None:
        try:
            data = os.read(self._source, _CHUNK)
        except OSError:  # both sides keep their own end open, so this passes
            return
        if self._in_flight + len(data) > _MOST_IN_FLIGHT:
            return
        self._in_flight += len(data)
        begin_s = max(self._loop.time(), self._free_at_s)
        self._free_at_s = begin_s + len(data) * self._character_s
        handle = self._loop.call_at(self._free_at_s, self._deliver, self._damaged(data))
        self._pending = {one for one in self._pending if one.when() > self._loop.time()}
        self._pending.add(handle)

    def _deliver(self, data: bytes) -> None:
        self._in_flight -= len(data)
        with suppress(OSError):  # nobody reads and the terminal is full: the bytes are lost
            os.write(self._sink, data)

    def _damaged(self, data: bytes) -> bytes:
        if self.bit_flips <= 0.0:
            return data
        return bytes(
            byte ^ (1 << self._noise.randrange(8))
            if self._noise.random() < self.bit_flips
            else byte
            for byte in data
        )


class PtyLine:
    """A line whose gateway end is the symbolic link `link`, the devices' end `device_path`."""

    def __init__(self, link: Path, *, baud: int, seed: str) -> None:
        self.device_path = ""
        self._link, self._baud, self._seed = link, baud, seed
        self._opened = ExitStack()
        self._directions: tuple[_Direction, ...] = ()

    def __enter__(self) -> PtyLine:
        with ExitStack() as opened:
            ends = []
            for _ in range(2):
                master, slave = os.openpty()
                opened.callback(os.close, master)
                opened.callback(os.close, slave)
                tty.setraw(slave)
                os.set_blocking(master, False)
                ends.append((master, os.ttyname(slave)))
            (near, near_path), (far, self.device_path) = ends
            self._directions = (
                _Direction(near, far, self._baud, random.Random(f"{self._seed}/to devices")),
                _Direction(far, near, self._baud, random.Random(f"{self._seed}/from devices")),
            )
            for direction in self._directions:
                opened.callback(direction.close)
            self._point_link(near_path)
            opened.callback(self._remove_link, near_path)
            self._opened = opened.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._opened.close()

    def damage(self, bit_flips: float) -> None:
        """Set the share of bytes, 0 to 1, that lose a bit from now on."""
        for direction in self._directions:
            direction.bit_flips = bit_flips

    def _point_link(self, terminal: str) -> None:
        try:
            self._link.parent.mkdir(parents=True, exist_ok=True)
            if self._link.is_symlink():
                self._link.unlink()
            self._link.symlink_to(terminal)
        except FileExistsError:
            raise SimulatorError(
                f"line {self._link.name}: {self._link} is a file, not a link of an earlier run; "
                "move it away or choose another line directory"
            ) from None
        except OSError as error:
            raise SimulatorError(
                f"line {self._link.name}: {self._link} cannot be made: {error.strerror}; "
                "choose another line directory"
            ) from None

    def _remove_link(self, terminal: str) -> None:
        with suppress(OSError):
            if os.readlink(self._link) == terminal:
                self._link.unlink()
