"""Read the alarm journal of an archive, and prove that nobody changed it.

`verify` tells the first entry that was changed, left out, added or moved, and the first Frame of
an entry that is not the one it came with. Entries that are cut off at the end leave no trace in
the file: keep a head (number and hash) elsewhere and pass it. Refuses to repair anything.
"""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Final

from gateway.alarms import journal as form
from gateway.alarms.journal import HASH_BYTES, Anchor, Broken, JournalEntry
from gateway.archive import layout
from gateway.archive.journal_writer import ANCHOR
from gateway.archive.layout import StoreError
from gateway.archive.reading import reading, snapshot, storable
from gateway.tags import Frame

_ENTRIES_A_PAGE: Final = 250


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a journal proves."""

    dropped: Anchor  # the last entry that went at the size limit; number 0: none did
    entries: int  # that hold, from there on
    head: Anchor  # the last one of them: keep it elsewhere
    broken: Broken | None  # the first one that does not hold
    unproven: str = ""  # why the head that was given could not be looked up


def journal(path: Path, since_ns: int, until_ns: int) -> Iterator[JournalEntry]:
    """The alarm transitions of all machines in the order of the steps, by the time of the step.

    Half open, [since, until), UTC. Raises StoreError, also for an entry that cannot be read.
    """
    since_ns, until_ns = storable(since_ns), storable(until_ns)
    last = 0
    with reading(path) as connection:
        while True:
            rows = connection.execute(
                "select number, entry from journal where number > ? and utc_ns >= ? "
                "and utc_ns < ? order by number limit ?",
                (last, since_ns, until_ns, _ENTRIES_A_PAGE),
            ).fetchall()
            if not rows:
                return
            for number, entry in rows:
                try:
                    yield JournalEntry.decode(entry)
                except ValueError as error:
                    raise _damaged(path, number, str(error)) from error
            last = rows[-1][0]


def journal_frame(path: Path, number: int) -> Frame:
    """The Frame that brought a journal entry. Raises StoreError."""
    with reading(path) as connection:
        row = connection.execute(
            "select f.body, j.entry from journal j left join journal_frame f on f.id = j.frame "
            "where j.number = ?",
            (storable(number),),
        ).fetchone()
        if row is None:
            (dropped, _) = connection.execute(ANCHOR).fetchone() or (0, b"")
            raise StoreError(
                f"archive {path} has no journal entry {number}."
                + (f" The entries up to {dropped} went at the size limit." if dropped else "")
            )
    body, entry = row
    try:
        if body is None:
            raise ValueError("its Frame is missing")
        encoded = layout.unpack_whole(body)
        if sha256(encoded).hexdigest() != JournalEntry.decode(entry).frame_digest:
            raise ValueError("its Frame is another one")
        return Frame.decode(encoded)
    except ValueError as error:
        raise _damaged(path, number, str(error)) from error


def verify(path: Path, known: Anchor | None = None) -> Verdict:
    """Whether the journal is as it was written. Raises StoreError for a file that cannot be read.

    `known` is the head of an earlier look: with it a journal that was cut off or written anew
    since then is told, too.
    """
    with reading(path) as connection:
        walk = _Walk(known or Anchor())
        while walk.page(connection):
            pass
        walk.end(connection)
    return Verdict(walk.dropped, walk.entries, walk.head, walk.broken, walk.unproven)


class _Walk:
    """Along the entries, a page at a time, up to the first one that does not hold."""

    def __init__(self, known: Anchor) -> None:
        self.dropped = Anchor()
        self.head = Anchor()
        self.entries = 0
        self.broken: Broken | None = None
        self.unproven = ""
        self._known = known
        self._after = -(2**63)
        self._frame: tuple[int, str] | None = None  # the last one looked at, and its digest

    def page(self, connection: sqlite3.Connection) -> bool:
        """Look at the next entries; whether there may be more."""
        with snapshot(connection):
            anchor = connection.execute(ANCHOR).fetchone()
            rows = connection.execute(
                "select j.number, j.utc_ns, j.frame, j.entry, j.hash, f.body from journal j "
                "left join journal_frame f on f.id = j.frame where j.number > ? "
                "order by j.number limit ?",
                (self._after, _ENTRIES_A_PAGE),
            ).fetchall()
        if not self._anchored(anchor):
            self._break("what is kept of the last dropped entry is damaged or missing")
            return False
        for row in rows:
            if why := self._fault(*row):
                self._break(why)
                return False
            self.entries += 1
            self._after = self.head.number
        return bool(rows)

    def end(self, connection: sqlite3.Connection) -> None:
        """What only shows when all entries have been seen."""
        if self.broken is not None:
            return
        known = self._known
        if known.number > self.head.number:
            self._break(
                f"entry {known.number} was in the journal, which now ends at {self.head.number}"
            )
        elif known.number < self.dropped.number and known.number > 0:
            self.unproven = (
                f"entry {known.number} can not be compared: the entries up to "
                f"{self.dropped.number} went at the size limit"
            )
        elif known.number == self.dropped.number and known != self.dropped:
            self._break("what it goes on from had another hash: the journal was written anew")
        stray = connection.execute(
            "select id from journal_frame where id not in (select frame from journal) limit 1"
        ).fetchone()
        if stray is not None and self.broken is None:
            self._break(f"the Frame with the archive's number {stray[0]} belongs to no entry")

    def _anchored(self, anchor: tuple[int, bytes] | None) -> bool:
        if anchor is None or len(anchor[1]) != HASH_BYTES or anchor[0] < 0:
            return False
        dropped = Anchor(*anchor)
        # The writer may drop entries while we look; then it goes on from what it kept of them.
        if self.entries == 0 or dropped.number > self.head.number:
            self.head = dropped
        self.dropped = dropped
        return True

    def _fault(
        self, number: int, utc_ns: int, frame: int, encoded: bytes, kept: bytes, body: bytes | None
    ) -> str:
        """Why the next entry does not hold; '' where it does, and then it is the head."""
        try:
            entry = JournalEntry.decode(encoded)
        except ValueError as error:
            return str(error)
        proof = form.verify((entry,), (kept,), self.head)
        if proof.broken is not None:
            return proof.broken.why
        if number != entry.number or utc_ns != entry.utc_ns:
            return "its row has another number or time than the entry"
        if why := self._fault_of_frame(entry, frame, body):
            return why
        if number == self._known.number and kept != self._known.hash:
            return "it had another hash: the journal was written anew"
        self.head = proof.head
        return ""

    def _fault_of_frame(self, entry: JournalEntry, frame: int, body: bytes | None) -> str:
        if self._frame is None or self._frame[0] != frame:
            if body is None:
                return "its Frame is missing"
            try:
                self._frame = frame, sha256(layout.unpack_whole(body)).hexdigest()
            except ValueError as error:
                return f"its Frame is damaged: {error}"
        return "" if self._frame[1] == entry.frame_digest else "its Frame is another one"

    def _break(self, why: str) -> None:
        self.broken = Broken(self.head.number + 1, why)


def _damaged(path: Path, number: int, why: str) -> StoreError:
    return StoreError(
        f"archive {path}: journal entry {number} is damaged ({why}). Verify the journal, "
        "and check the disk."
    )
