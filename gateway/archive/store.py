"""The writer of the archive: one thread, one connection, every Frame on disk before anyone sees it.

A write is one transaction with the Frame, its changed samples, its alarm transitions and what
changed of the chain's saved state; WAL with synchronous=FULL, so a write that returned survives a
power cut. Writes that wait together are committed together. At the size limit the oldest Frames
go, with their samples, and are counted. How the rows lie is told in `layout`.

Refuses a Frame whose sequence does not follow the machine's last one, a foreign file, and to wait
for ever for a disk. That no other gateway writes the same file, the state lock sees to.
"""

import asyncio
import contextlib
import os
import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final, Self

from gateway.archive import layout
from gateway.archive.layout import StoreError
from gateway.archive.writer import Write, Writer
from gateway.tags import Frame

_SMALLEST_BYTES: Final = 1024 * 1024
_WAITING_WRITES: Final = 64
_DISK_TIMEOUT_S: Final = 30.0  # as long as a disk may retry a sector; common practice, no source


class Store:
    """The door to the writer thread. Made by `open`, used from one event loop."""

    def __init__(self, path: Path, max_size_bytes: int) -> None:
        self._path = path
        self._max_size_bytes = max_size_bytes
        self._writes: queue.SimpleQueue[Write | None] = queue.SimpleQueue()
        self._slots = asyncio.Semaphore(_WAITING_WRITES)
        self._writer = Writer(path, max_size_bytes)
        self._parts: dict[str, dict[str, bytes]] = {}
        self._sequences: dict[str, int] = {}
        self._thread: threading.Thread | None = None

    @classmethod
    async def open(cls, path: Path, *, max_size_bytes: int) -> Self:
        """Open the archive, or begin it where there is none.

        `max_size_bytes` holds for the file with its journal; a file that is already larger is
        used within the limit but does not shrink. Raises StoreError for a file that is foreign,
        newer or damaged, ValueError for a limit under 1 MiB.
        """
        if max_size_bytes < _SMALLEST_BYTES:
            raise ValueError(f"an archive needs at least {_SMALLEST_BYTES} bytes")
        store = cls(path, max_size_bytes)
        loop = asyncio.get_running_loop()
        opened: asyncio.Future[None] = loop.create_future()
        # A daemon: a store that nobody closed must not keep the process from ending.
        thread = threading.Thread(
            target=store._run, args=(_answer(loop, opened),), name="archive", daemon=True
        )
        thread.start()
        try:
            async with asyncio.timeout(_DISK_TIMEOUT_S):
                await opened
        except TimeoutError:
            store._writes.put(None)
            raise StoreError(_silent_disk(path)) from None
        except asyncio.CancelledError:
            store._writes.put(None)
            raise
        store._thread = thread
        return store

    async def write(self, frames: Sequence[tuple[Frame, Mapping[str, bytes]]]) -> None:
        """Write Frames, each with the saved parts of the chain after it, as one transaction.

        Returns when they are on disk. Raises StoreError when they are not: nothing of them is
        kept then, and the next write may succeed. After a time-out it is not known whether they
        will still get there. A cancelled write may still be carried out.
        """
        if self._thread is None:
            raise StoreError(f"archive {self._path} is closed")
        if not frames:
            return
        encoded = tuple((frame, frame.encode(), parts) for frame, parts in frames)
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(_DISK_TIMEOUT_S):
                await self._slots.acquire()
                written: asyncio.Future[None] = loop.create_future()
                written.add_done_callback(lambda _: self._slots.release())
                self._writes.put(Write(encoded, _answer(loop, written)))
                await asyncio.shield(written)
        except TimeoutError:
            raise StoreError(_silent_disk(self._path)) from None

    def parts(self) -> dict[str, dict[str, bytes]]:
        """The saved parts of the chain after the last Frame of each machine, as at `open`.

        A part that the disk did not keep as it was is empty.
        """
        return {machine: dict(parts) for machine, parts in self._parts.items()}

    def sequences(self) -> dict[str, int]:
        """The last sequence of each machine, as it was at `open`."""
        return dict(self._sequences)

    @property
    def bytes_on_disk(self) -> int:
        """The file with its journal and index, now."""
        total = 0
        for suffix in ("", "-wal", "-shm"):
            with contextlib.suppress(FileNotFoundError):
                total += self._path.with_name(self._path.name + suffix).stat().st_size
        return total

    def room(self) -> float:
        """Free disk over what the archive may still grow, at most 1. Asks the disk, so it may wait.

        Raises OSError.
        """
        grows = self._max_size_bytes - self.bytes_on_disk
        disk = os.statvfs(self._path.parent)
        return min(1.0, disk.f_bavail * disk.f_frsize / grows) if grows > 0 else 1.0

    @property
    def frames_written(self) -> int:
        """Since `open`."""
        return self._writer.frames_written

    @property
    def dropped_frames(self) -> int:
        """Oldest frames deleted to stay within the size limit, since `open`."""
        return self._writer.dropped_frames

    async def close(self) -> None:
        """Write what waits, then close the file. Raises StoreError if the disk does not answer."""
        thread, self._thread = self._thread, None
        if thread is None:
            return
        self._writes.put(None)
        await asyncio.to_thread(thread.join, _DISK_TIMEOUT_S)
        if thread.is_alive():
            raise StoreError(_silent_disk(self._path))

    def _run(self, opened: Callable[[StoreError | None], None]) -> None:
        try:
            with layout.plain_errors(self._path):
                self._writer.open()
                self._parts, self._sequences = self._writer.heads()
        except StoreError as error:
            self._writer.close()
            opened(error)
            return
        opened(None)
        while (first := self._writes.get()) is not None:
            group: list[Write] = [first]
            last = False
            with contextlib.suppress(queue.Empty):
                while len(group) < _WAITING_WRITES:
                    another = self._writes.get_nowait()
                    if another is None:
                        last = True
                        break
                    group.append(another)
            self._writer.commit(group)
            if last:
                break
        self._writer.close()


def _silent_disk(path: Path) -> str:
    return (
        f"archive {path}: the disk has not answered for {_DISK_TIMEOUT_S:.0f} s. "
        "Check the disk; writing is tried again every step."
    )


def _answer(
    loop: asyncio.AbstractEventLoop, future: asyncio.Future[None]
) -> Callable[[StoreError | None], None]:
    """What the thread calls to settle a future of the loop; harmless when the loop is gone."""

    def settle(error: StoreError | None) -> None:
        if future.done():
            return
        if error is None:
            future.set_result(None)
            return
        future.set_exception(error)
        future.exception()  # nobody may be left to look at it

    def call(error: StoreError | None) -> None:
        with contextlib.suppress(RuntimeError):
            loop.call_soon_threadsafe(settle, error)

    return call
