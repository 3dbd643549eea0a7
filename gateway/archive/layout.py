"""How Frames lie in the archive file: its tables, its packing, its errors.

A `frame` row holds a whole Frame, packed with zlib against a key frame of the same machine, which
is renewed every 600 steps. Measured on synthetic Frames of one machine, a third of the registers
moving every second, zlib level 6, mean bytes of a Frame, the key frames themselves included:

    Frame                    JSON   plain zlib   key of 60   key of 600   key of 4000
    12 tags, 10 points      1,724          369         201          211           223
    40 tags, 32 points      5,034          826         553          583           607

so the key frame saves 29 to 43 %, and how old it is hardly matters. The first 49 Frames of each
machine of the demo plant took 430, 247 and 424 bytes (plain zlib 777, 525 and 774; JSON 2,201,
1,334 and 2,175), their one key frame not counted. zlib keeps checksums of the key and of the
Frame, so that a wrong key or a changed byte is an error and never a wrong Frame.

A new key frame is also written when the alarms that have evidence change, after 20 steps at the
earliest: evidence doubles a Frame. With two fault alarms standing a Frame of U1 of the demo plant
took 770 bytes so, and 1,505 without (535 while nothing stands).

A `sample` row is written when the tag's value, status or uncertainty differ from the last row
written, or that row is a minute old: a gap longer than a minute and a step means that nothing was
measured. The keys begin with the frame's number, which grows with time: a key that begins with
the tag makes inserts five times slower as the table grows.

What a chain saves lies in parts, and a part is written when its bytes change; with each key frame
the parts after it are kept, each state of a part once, so that a replay can begin there.

The alarm journal has its entries, their hashes and its Frames in tables of its own, whole and at
most a quarter of the archive: 155 bytes an entry and 0.2 to 1.5 kB a Frame of 2 to 100 tags. When
the oldest entries must go, `journal_anchor` keeps number and hash of the last of them.

Refuses files that are not its own or were written by a newer version.
"""

import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

APPLICATION_ID: Final = 0x52474152  # "RGAR", our own choice
VERSION: Final = 2
KEY_FRAME_STEPS: Final = 600
KEY_FRAME_STEPS_LEAST: Final = 20
# How long a connection waits for one that holds the file; common practice, no source.
BUSY_TIMEOUT_MS: Final = 5000
RESTATED_AFTER_NS: Final = 60_000_000_000
_LEVEL: Final = 6

SCHEMA: Final = (
    """create table machine(
        id integer primary key, name text not null unique,
        sequence integer not null) strict""",
    # what the machine's chain saved after its last step; a row is written when it changes
    """create table part(
        id integer primary key, machine integer not null, name text not null,
        body blob not null, unique(machine, name)) strict""",
    "create table tag(id integer primary key, name text not null unique) strict",
    # autoincrement: numbers of dropped frames are never given again, readers rely on it
    """create table frame(
        id integer primary key autoincrement, machine integer not null,
        sequence integer not null, utc_ns integer not null,
        key_frame integer not null, body blob not null) strict""",
    "create index frame_time on frame(utc_ns)",
    # `id` is the number of the first frame that is packed against it
    """create table key_frame(
        id integer primary key, machine integer not null,
        sequence integer not null, utc_ns integer not null, body blob not null) strict""",
    # the parts as they were after a key frame, so that a replay can begin there
    """create table checkpoint(
        key_frame integer not null, name text not null, saved integer not null,
        primary key (key_frame, name)) strict, without rowid""",
    "create table saved(id integer primary key autoincrement, body blob not null) strict",
    """create table sample(
        frame integer not null, tag integer not null, time_ns integer not null,
        value any, status integer not null, uncertainty real,
        primary key (frame, tag)) strict, without rowid""",
    # alarm journal: canonical entries, each with the hash over all before it
    """create table journal(
        number integer primary key, utc_ns integer not null, frame integer not null,
        entry blob not null, hash blob not null) strict""",
    "create index journal_time on journal(utc_ns)",
    # the Frames that brought them, whole, once each; `id` is the number the frame had
    "create table journal_frame(id integer primary key, body blob not null) strict",
    # the last entry that had to go: what is left goes on from it
    """create table journal_anchor(
        id integer primary key check(id = 1), number integer not null,
        hash blob not null) strict""",
    "insert into journal_anchor values(1, 0, zeroblob(32))",
    f"pragma application_id={APPLICATION_ID}",
    f"pragma user_version={VERSION}",
)


class StoreError(Exception):
    """The archive cannot do what was asked. The text says which file, why, and what to do."""


def pack(frame: bytes, key_frame: bytes) -> bytes:
    """An encoded Frame packed against the encoded key frame."""
    packer = zlib.compressobj(_LEVEL, zdict=key_frame)
    return packer.compress(frame) + packer.flush()


def unpack(body: bytes, key_frame: bytes) -> bytes:
    """The inverse of `pack`. Raises ValueError where a byte is not what it was."""
    try:
        unpacker = zlib.decompressobj(zdict=key_frame)
        frame = unpacker.decompress(body)
    except zlib.error as error:
        raise ValueError(str(error)) from error
    if not unpacker.eof:
        raise ValueError("the packed Frame is cut short")
    return frame


def pack_key_frame(frame: bytes) -> bytes:
    """An encoded Frame as it lies in `key_frame`."""
    return zlib.compress(frame, _LEVEL)


def unpack_key_frame(body: bytes) -> bytes:
    """The inverse of `pack_key_frame`. Raises ValueError where a byte is not what it was."""
    try:
        return zlib.decompress(body)
    except zlib.error as error:
        raise ValueError(str(error)) from error


def pack_whole(frame: bytes) -> bytes:
    """An encoded Frame as it lies in `journal_frame`: alone, for its key frame may go.

    Its checksum covers the packed bytes: zlib's own passes over bits that mean nothing to it.
    """
    packed = zlib.compress(frame, _LEVEL)
    return packed + zlib.crc32(packed).to_bytes(4)


def unpack_whole(body: bytes) -> bytes:
    """The inverse of `pack_whole`. Raises ValueError where a byte is not what it was."""
    packed, checksum = body[:-4], body[-4:]
    if zlib.crc32(packed).to_bytes(4) != checksum:
        raise ValueError("its checksum is wrong")
    return unpack_key_frame(packed)


def pack_part(part: bytes) -> bytes:
    """A saved part of a chain as it lies in `part`. Some change at every step, so time counts."""
    return zlib.compress(part, 1)


def unpack_part(body: bytes) -> bytes:
    """The inverse of `pack_part`; empty where a byte is not what it was, which no chain takes."""
    try:
        return zlib.decompress(body)
    except zlib.error:
        return b""


def prepare(connection: sqlite3.Connection, path: Path) -> None:
    """Create the tables in a new file, or check whose file it is.

    Raises StoreError for a file that is not ours.
    """
    connection.execute("begin immediate")
    try:
        if is_empty(connection):
            for statement in SCHEMA:
                connection.execute(statement)
        else:
            check_owner(connection, path)
        connection.execute("commit")
    finally:
        if connection.in_transaction:
            connection.execute("rollback")


def is_empty(connection: sqlite3.Connection) -> bool:
    """Whether nothing has been created in the file yet."""
    (application,) = connection.execute("pragma application_id").fetchone()
    (tables,) = connection.execute("select count(*) from sqlite_master").fetchone()
    return bool(application == 0 and tables == 0)


def check_owner(connection: sqlite3.Connection, path: Path) -> None:
    """Raises StoreError unless the file is an archive of this version."""
    (application,) = connection.execute("pragma application_id").fetchone()
    (version,) = connection.execute("pragma user_version").fetchone()
    if application != APPLICATION_ID:
        raise StoreError(
            f"{path} is the database of another program, not a gateway archive. "
            "Name another file, or move this one away."
        )
    if version != VERSION:
        raise StoreError(
            f"{path} has archive version {version}, this gateway knows version {VERSION}. "
            "Run the version of the gateway that wrote it, or move the file away "
            "to begin a new archive."
        )


@contextmanager
def plain_errors(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into StoreErrors that say what to do."""
    try:
        yield
    except (sqlite3.Error, sqlite3.Warning) as error:
        raise StoreError(_explain(path, error)) from error


_REMEDIES: Final = {
    sqlite3.SQLITE_FULL: "Free space on its disk; the gateway goes on and tries again every step.",
    sqlite3.SQLITE_IOERR: "Check the disk and its free space; writing is tried again every step.",
    sqlite3.SQLITE_CANTOPEN: "Check that its directory exists and that this user may write there.",
    sqlite3.SQLITE_READONLY: "Check that this user may write to the file and its directory.",
    sqlite3.SQLITE_PERM: "Check that this user may write to the file and its directory.",
    sqlite3.SQLITE_BUSY: "Another program holds the file; end it.",
    sqlite3.SQLITE_LOCKED: "Another program holds the file; end it.",
    sqlite3.SQLITE_NOTADB: "It is not an archive. Name another file, or move this one away.",
    sqlite3.SQLITE_CORRUPT: "The file is damaged. Move it and its -wal file away; "
    "a new archive is then begun.",
}


def _explain(path: Path, error: Exception) -> str:
    code = getattr(error, "sqlite_errorcode", None)
    # the low byte is the primary code (SQLite result codes, "Primary versus extended")
    remedy = _REMEDIES.get(code & 0xFF, "") if code is not None else ""
    return f"archive {path}: {error}. {remedy}".rstrip()
