"""The capture file: what went into the chains of a site, step by step, and the journal they wrote.

JSON lines, packed with gzip where the name ends in `.gz`. Each line is `["SUM","KIND",...]`; SUM is
the beginning of a SHA-256 over the sum before it and the rest of the line, so no line can be
changed, left out, added or moved without being told. First a header, then the steps in the order
of the archive, each followed by the journal entries that it brought, then a trailer.

Reading is streaming. Refuses a line that does not fit, with its number, and a file without its end.
"""

import gzip
import json
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from io import BufferedIOBase, BufferedReader
from pathlib import Path
from typing import Any, Final

from gateway.alarms.journal import JournalEntry
from gateway.tags import Command, Frame, GatewayCondition, Instant, Reading, wire

FORMAT: Final = "rotor gateway capture"
VERSION: Final = 1
_SUM_LETTERS: Final = 16  # 64 bits: against damage, not against forgery; the trailer has all
_LONGEST_LINE: Final = 64 * 1024 * 1024  # saved parts are the longest; far beyond any of ours
_PACKING: Final = 6


class CaptureError(Exception):
    """The file cannot be used. The text says which line, why, and what to do."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a chain's saved state."""

    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Beginning:
    """Where the steps of one machine begin: its chain as it was saved before the first of them."""

    machine: str
    sequence: int  # of the last step before them; 0: none, the chain begins with nothing
    parts: tuple[Part, ...]
    alarms: tuple[str, ...]  # that the site had when it was recorded


@dataclass(frozen=True, slots=True)
class Header:
    """What a capture says of itself."""

    format: str
    version: int
    site: str
    digest: str  # of the site file and its profiles, as they were when the capture was made
    software: str
    since_ns: int  # UTC; steps before it only lead the chains up to their state
    until_ns: int
    first_entry: int  # number of the first journal entry that follows
    beginnings: tuple[Beginning, ...]


@dataclass(frozen=True, slots=True)
class Step:
    """What went into one step of one machine, and which alarms were on after it."""

    machine: str
    sequence: int
    run_up: bool  # before the window: leads the chain to its state, its entries are not kept
    at: Instant
    readings: tuple[Reading, ...]
    commands: tuple[Command, ...]
    gateway: GatewayCondition
    active: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Trailer:
    """What must have come before the end."""

    steps: int
    entries: int
    sha256: str  # over all lines before, hexadecimal


def step_of(frame: Frame, run_up: bool) -> Step:
    """The part of a Frame that a chain cannot compute, and the alarms that were on."""
    return Step(
        frame.machine,
        frame.sequence,
        run_up,
        frame.at,
        frame.readings,
        frame.commands,
        frame.gateway,
        tuple(a.alarm for a in frame.alarms if a.active),
    )


class CaptureWriter:
    """Writes a capture, line by line. Made by `writing`."""

    def __init__(self, write: Callable[[bytes], object]) -> None:
        self._write = write
        self._chain = bytes(32)
        self.steps = 0
        self.entries = 0

    def header(self, header: Header) -> None:
        """The first line."""
        self._line("header", header)

    def step(self, step: Step) -> None:
        """One step; steps come in their order."""
        self.steps += 1
        self._line("step", step)

    def entry(self, entry: JournalEntry) -> None:
        """An entry that the step before it brought."""
        self.entries += 1
        self._line("entry", entry)

    def end(self) -> None:
        """The last line, without which a capture is cut short."""
        self._line("trailer", Trailer(self.steps, self.entries, self._chain.hex()))

    def _line(self, kind: str, content: Header | Step | JournalEntry | Trailer) -> None:
        rest = f'","{kind}",'.encode() + wire.encoded(content) + b"]\n"
        self._chain = sha256(self._chain + rest).digest()
        self._write(b'["' + self._chain.hex()[:_SUM_LETTERS].encode() + rest)


@contextmanager
def writing(path: Path) -> Iterator[CaptureWriter]:
    """A writer of a new capture, which is there under its name only when it is complete.

    The same content gives the same bytes. Raises OSError.
    """
    part = path.with_name(f"{path.name}.part")
    try:
        with part.open("wb") as raw:
            if path.suffix == ".gz":
                with gzip.GzipFile("", "wb", _PACKING, raw, mtime=0) as packed:
                    yield from _written(packed.write)
            else:
                yield from _written(raw.write)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _written(write: Callable[[bytes], object]) -> Iterator[CaptureWriter]:
    writer = CaptureWriter(write)
    yield writer
    writer.end()


class Capture:
    """An open capture: its header at once, the rest line by line. Made by `opened`."""

    def __init__(self, path: Path, raw: BufferedReader, size: int) -> None:
        self._path, self._raw, self._size = path, raw, max(size, 1)
        self._lines: BufferedIOBase = raw
        if path.suffix == ".gz":
            self._lines = gzip.GzipFile(fileobj=raw, mode="rb")
        self._number = 0
        self._chain = bytes(32)
        kind, content = self._next()
        if kind != "header" or not isinstance(content, list) or content[:1] != [FORMAT]:
            raise self._refusal("it does not begin as a capture does")
        if content[1:2] != [VERSION]:
            raise CaptureError(
                f"{path}: it is a capture of format {content[1:2]}, this version of the gateway "
                f"knows format {VERSION}; use the version that recorded it"
            )
        self.header: Header = self._made(Header, content)

    @property
    def share(self) -> float:
        """How much of the file has been read, 0 to 1."""
        return min(self._raw.tell() / self._size, 1.0)

    def lines(self) -> Iterator[Step | JournalEntry]:
        """Steps and the entries that each one brought. Raises CaptureError where it is damaged."""
        steps = entries = 0
        while True:
            before = self._chain
            kind, content = self._next()
            if kind == "step":
                steps += 1
                yield self._made(Step, content)
            elif kind == "entry":
                entries += 1
                yield self._made(JournalEntry, content)
            elif kind == "trailer":
                trailer: Trailer = self._made(Trailer, content)
                if trailer != Trailer(steps, entries, before.hex()):
                    raise self._refusal("its last line does not fit what came before")
                if self._read():
                    raise self._refusal("something follows its last line")
                return
            else:
                raise self._refusal(f"nothing of the kind {kind!r} is known")

    def _next(self) -> tuple[object, object]:
        line = self._read()
        if not line.endswith(b"\n"):
            where = "is too long" if len(line) >= _LONGEST_LINE else "ends here without its end"
            raise self._refusal(f"it {where}: it was cut off")
        begin = 2 + _SUM_LETTERS
        self._chain = sha256(self._chain + line[begin:]).digest()
        if line[:begin] != b'["' + self._chain.hex()[:_SUM_LETTERS].encode():
            raise self._refusal("its checksum does not fit")
        try:
            _, kind, content = json.loads(line)
        except (ValueError, RecursionError) as error:
            raise self._refusal(str(error)) from error
        return kind, content

    def _read(self) -> bytes:
        self._number += 1
        try:
            return self._lines.readline(_LONGEST_LINE)
        except (EOFError, zlib.error, gzip.BadGzipFile) as error:
            raise self._refusal(f"it cannot be unpacked ({error})") from error

    def _made(self, kind: type[Any], content: object) -> Any:
        try:
            return wire.made(kind, content)
        except (TypeError, ValueError) as error:
            raise self._refusal(str(error)) from error

    def _refusal(self, why: str) -> CaptureError:
        return CaptureError(
            f"{self._path}, line {self._number}: {why}; copy the file again, or record it anew"
        )


@contextmanager
def opened(path: Path) -> Iterator[Capture]:
    """A capture to read. Raises OSError, and CaptureError where the file is none."""
    with path.open("rb") as raw:
        yield Capture(path, raw, path.stat().st_size)
