"""The writing half of the alarm journal: entries chained by hashes, and the Frames they came with.

Lives in the writer's transactions. The journal has a share of the archive of its own, so that a
storm of Frames drops no entry; beyond it the oldest entries go, and the hash of the last of them
stays, from which the others go on. Refuses nothing.
"""

import sqlite3
from typing import Final

from gateway.alarms.journal import Anchor, chained, entries_of
from gateway.archive import layout
from gateway.tags import Frame

# What a row takes beside its bytes: its header, the index on time, and what a page leaves empty.
# Measured: up to 92 and 99 bytes.
_ENTRY_BYTES: Final = 150
_FRAME_BYTES: Final = 150
_DROPPED_AT_ONCE: Final = 64  # entries at most
_DROPS_A_WRITE: Final = 16
ANCHOR: Final = "select number, hash from journal_anchor where id = 1"


class JournalWriter:
    """Head and size of the journal, and the two things that change them."""

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._bytes = 0
        self._uncommitted_bytes = 0
        self._head = Anchor()

    def measure(self, connection: sqlite3.Connection) -> None:
        """Find out how large the journal is; it reads all of it, so once."""
        self._bytes = _size(connection, 2**63 - 1)

    def find_head(self, connection: sqlite3.Connection) -> None:
        """Where the next entry goes on, when nothing is uncommitted."""
        self._uncommitted_bytes = 0
        row = connection.execute(
            "select number, hash from journal order by number desc limit 1"
        ).fetchone()
        self._head = Anchor(*(row or connection.execute(ANCHOR).fetchone()))

    def write(self, connection: sqlite3.Connection, number: int, frame: Frame) -> None:
        """The entries of a Frame, which has this number in the archive."""
        body = layout.pack_whole(frame.encode())
        connection.execute("insert into journal_frame values(?,?)", (number, body))
        self._uncommitted_bytes += len(body) + _FRAME_BYTES
        for entry in entries_of(frame, self._head.number + 1):
            head = Anchor(entry.number, chained(self._head.hash, entry))
            encoded = entry.encode()
            connection.execute(
                "insert into journal values(?,?,?,?,?)",
                (entry.number, entry.utc_ns, number, encoded, head.hash),
            )
            self._uncommitted_bytes += len(encoded) + len(head.hash) + _ENTRY_BYTES
            self._head = head

    def committed(self) -> None:
        """What was written is on disk."""
        self._bytes += self._uncommitted_bytes
        self._uncommitted_bytes = 0

    def make_room(self, connection: sqlite3.Connection) -> None:
        """Drop the oldest entries while the journal has more than its share."""
        for _ in range(_DROPS_A_WRITE):
            if self._bytes <= self._most_bytes or not self._drop_oldest(connection):
                return

    def _drop_oldest(self, connection: sqlite3.Connection) -> bool:
        """Of a few entries with large Frames half are kept."""
        connection.execute("begin immediate")
        oldest = connection.execute(
            "select number, hash from journal order by number limit ?", (2 * _DROPPED_AT_ONCE,)
        ).fetchall()
        if not oldest:
            connection.execute("rollback")
            return False
        number, kept_hash = oldest[(len(oldest) - 1) // 2]
        before = _size(connection, number)
        connection.execute("update journal_anchor set number=?, hash=?", (number, kept_hash))
        connection.execute("delete from journal where number <= ?", (number,))
        connection.execute(
            "delete from journal_frame where id < "
            "coalesce((select frame from journal order by number limit 1), 9223372036854775807)"
        )
        connection.execute("commit")
        self._bytes -= before
        return True


def _size(connection: sqlite3.Connection, up_to: int) -> int:
    """Bytes of the entries up to this number and of the Frames that come only with them."""
    entries, entry_count = connection.execute(
        "select coalesce(sum(length(entry) + length(hash)), 0), count(*) from journal "
        "where number <= ?",
        (up_to,),
    ).fetchone()
    frames, frame_count = connection.execute(
        "select coalesce(sum(length(body)), 0), count(*) from journal_frame where id < "
        "coalesce((select frame from journal where number > ? order by number limit 1), "
        "9223372036854775807)",
        (up_to,),
    ).fetchone()
    return int(entries + entry_count * _ENTRY_BYTES + frames + frame_count * _FRAME_BYTES)
