"""The writing connection of the archive and what it remembers of the file.

Lives in the writer thread of `gateway.archive.store`, which is its only caller.
"""

import contextlib
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from gateway.archive import layout
from gateway.archive.journal_writer import JournalWriter
from gateway.archive.layout import StoreError
from gateway.tags import Frame, Sample

# A commit touches few bytes on each of many pages, and the journal takes whole pages: with pages
# of 1 KiB a step of the demo plant's three machines costs 16 kB of journal, with 4 KiB 29 kB.
_PAGE_BYTES: Final = 1024
# Common practice, no source: a journal that is small beside the archive and rarely emptied.
_WAL_MOST_BYTES: Final = 16 * 1024 * 1024
_DROPPED_AT_ONCE: Final = 256  # frames at most; some milliseconds of work
_DROPS_A_WRITE: Final = 16


@dataclass(frozen=True, slots=True)
class Write:
    """Frames that stand or fall together: encoded, with the chain's saved parts after each."""

    frames: tuple[tuple[Frame, bytes, Mapping[str, bytes]], ...]
    done: Callable[[StoreError | None], None]


@dataclass(frozen=True, slots=True)
class _Key:
    """A key frame: its number, its bytes, the alarms that it has evidence for."""

    number: int
    frame: bytes
    told: tuple[str, ...]
    uses: int = 0

    def is_used_up(self, told: tuple[str, ...]) -> bool:
        """Whether a Frame with evidence for these alarms needs a new one.

        Evidence doubles a Frame: without a key frame that has it, too, every Frame would carry it.
        """
        if self.uses >= layout.KEY_FRAME_STEPS:
            return True
        return told != self.told and self.uses >= layout.KEY_FRAME_STEPS_LEAST


class Writer:
    """The one connection that writes.

    Everything remembered is forgotten when a transaction fails, and read or written afresh.
    """

    def __init__(self, path: Path, max_size_bytes: int) -> None:
        self.frames_written = 0
        self.dropped_frames = 0
        self._path = path
        self._wal_bytes = min(_WAL_MOST_BYTES, max_size_bytes // 4)
        self._pages = (max_size_bytes - self._wal_bytes) // _PAGE_BYTES
        # Room that is never filled, so that deleting always has pages to work with.
        self._spare_pages = max(32, self._pages // 32)
        self._connection: sqlite3.Connection | None = None
        self._heads: dict[str, int] = {}  # sequence of the last frame on disk
        self._machines: dict[str, int] = {}
        self._tags: dict[str, int] = {}
        self._rows: dict[int, tuple[Sample, int]] = {}  # last row of a tag, time of its frame
        self._keys: dict[int, _Key] = {}  # of a machine
        self._parts: dict[int, dict[str, tuple[int, bytes]]] = {}  # of a machine: rows as written
        self._saved: dict[int, dict[str, tuple[int, bytes]]] = {}  # of its last checkpoint
        self._last_frame = 0
        self._journal = JournalWriter(max_size_bytes // 4)

    def open(self) -> None:
        connection = sqlite3.connect(self._path, isolation_level=None)
        self._connection = connection
        connection.execute(f"pragma busy_timeout={layout.BUSY_TIMEOUT_MS}")
        # Whose file it is comes first: a foreign one is not touched, not even its journal mode.
        if not layout.is_empty(connection):
            layout.check_owner(connection, self._path)
        connection.execute(f"pragma page_size={_PAGE_BYTES}")  # of a file that is begun now
        connection.execute("pragma journal_mode=wal")
        connection.execute("pragma synchronous=full")
        connection.execute(f"pragma journal_size_limit={self._wal_bytes}")
        connection.execute(f"pragma wal_autocheckpoint={self._wal_bytes // 2 // _PAGE_BYTES}")
        connection.execute(f"pragma max_page_count={self._pages}")
        layout.prepare(connection, self._path)
        self._journal.measure(connection)
        self._forget()

    def heads(self) -> tuple[dict[str, dict[str, bytes]], dict[str, int]]:
        """The saved parts and the sequence of each machine."""
        self._heads = dict(self._open.execute("select name, sequence from machine").fetchall())
        parts: dict[str, dict[str, bytes]] = {name: {} for name in self._heads}
        for machine, name, body in self._open.execute(
            "select m.name, p.name, p.body from part p join machine m on m.id = p.machine"
        ):
            parts[machine][name] = layout.unpack_part(body)
        return parts, dict(self._heads)

    def close(self) -> None:
        if self._connection is not None:
            with contextlib.suppress(sqlite3.Error):
                self._connection.close()
            self._connection = None

    def commit(self, group: Sequence[Write]) -> None:
        """Write a group in one transaction; where that fails, each of its writes alone."""
        try:
            with layout.plain_errors(self._path):
                self._journal.make_room(self._open)
                self._make_room()
                self._transact(group)
        except Exception as error:
            self._recover()
            if len(group) > 1:
                for write in group:
                    self.commit([write])
                return
            failed = error if isinstance(error, StoreError) else None
            group[0].done(
                failed or StoreError(f"archive {self._path}: cannot write this Frame: {error}")
            )
            return
        for write in group:
            self.frames_written += len(write.frames)
            write.done(None)

    @property
    def _open(self) -> sqlite3.Connection:
        if self._connection is None:
            raise StoreError(f"archive {self._path} is closed")
        return self._connection

    def _transact(self, group: Sequence[Write]) -> None:
        heads: dict[str, int] = {}
        self._open.execute("begin immediate")
        for write in group:
            for frame, encoded, parts in write.frames:
                last = heads.get(frame.machine, self._heads.get(frame.machine))
                if last is not None and frame.sequence <= last:
                    raise StoreError(
                        f"archive {self._path}: frame {frame.sequence} of {frame.machine} "
                        f"does not follow frame {last}, which is the last one on disk."
                    )
                self._insert(frame, encoded, parts)
                heads[frame.machine] = frame.sequence
        self._open.execute("commit")
        self._journal.committed()
        self._heads.update(heads)

    def _recover(self) -> None:
        """After a failed transaction: nothing of it in the file, nothing of it in memory."""
        with contextlib.suppress(sqlite3.Error, StoreError):
            if self._open.in_transaction:
                self._open.execute("rollback")
            self._forget()

    def _forget(self) -> None:
        for memory in (
            self._machines,
            self._tags,
            self._rows,
            self._keys,
            self._parts,
            self._saved,
        ):
            memory.clear()
        row = self._open.execute("select seq from sqlite_sequence where name='frame'").fetchone()
        self._last_frame = row[0] if row else 0
        self._journal.find_head(self._open)

    def _insert(self, frame: Frame, encoded: bytes, parts: Mapping[str, bytes]) -> None:
        machine = self._machine(frame.machine)
        self._open.execute("update machine set sequence=? where id=?", (frame.sequence, machine))
        self._save(machine, parts)
        number = self._last_frame + 1
        key, key_frame = self._key_frame(machine, number, frame, encoded, parts)
        self._open.execute(
            "insert into frame values(?,?,?,?,?,?)",
            (
                number,
                machine,
                frame.sequence,
                frame.at.utc_ns,
                key,
                layout.pack(encoded, key_frame),
            ),
        )
        self._open.executemany(
            "insert into sample values(?,?,?,?,?,?)",
            [
                (number, tag, s.time_ns, _stored(s.value), int(s.status), s.uncertainty)
                for s in frame.samples
                if (tag := self._changed_tag(s, frame.at.utc_ns)) is not None
            ],
        )
        if frame.transitions:
            self._journal.write(self._open, number, frame)
        self._last_frame = number

    def _machine(self, name: str) -> int:
        if name not in self._machines:
            self._open.execute(
                "insert into machine(name, sequence) values(?, -1) on conflict do nothing",
                (name,),
            )
            row = self._open.execute("select id from machine where name=?", (name,)).fetchone()
            self._machines[name] = row[0]
        return self._machines[name]

    def _save(self, machine: int, parts: Mapping[str, bytes]) -> None:
        """Write the parts that changed."""
        written = self._parts.get(machine)
        if written is None:
            # What an other version wrote and this one does not know goes here, too.
            self._open.execute("delete from part where machine=?", (machine,))
            written = self._parts[machine] = {}
        for name, part in parts.items():
            row, last = written.get(name, (None, b""))
            if row is None:
                row = self._open.execute(
                    "insert into part(machine, name, body) values(?,?,?)",
                    (machine, name, layout.pack_part(part)),
                ).lastrowid
            elif part != last:
                self._open.execute(
                    "update part set body=? where id=?", (layout.pack_part(part), row)
                )
            written[name] = row or 0, part

    def _checkpoint(self, machine: int, number: int, parts: Mapping[str, bytes]) -> None:
        """Keep the parts with a key frame; one that did not change since the last is kept once."""
        before, kept = self._saved.get(machine, {}), {}
        for name, part in parts.items():
            row, last = before.get(name, (0, None))
            if part != last:
                body = (layout.pack_part(part),)
                row = self._open.execute("insert into saved(body) values(?)", body).lastrowid or 0
            kept[name] = row, part
            self._open.execute("insert into checkpoint values(?,?,?)", (number, name, row))
        self._saved[machine] = kept

    def _key_frame(
        self,
        machine: int,
        number: int,
        frame: Frame,
        encoded: bytes,
        parts: Mapping[str, bytes],
    ) -> tuple[int, bytes]:
        key = self._keys.get(machine)
        told = tuple(evidence.alarm for evidence in frame.evidence)
        if key is None or key.is_used_up(told):
            key = _Key(number, encoded, told)
            self._open.execute(
                "insert into key_frame values(?,?,?,?,?)",
                (
                    number,
                    machine,
                    frame.sequence,
                    frame.at.utc_ns,
                    layout.pack_key_frame(encoded),
                ),
            )
            self._checkpoint(machine, number, parts)
        self._keys[machine] = replace(key, uses=key.uses + 1)
        return key.number, key.frame

    def _changed_tag(self, sample: Sample, at_ns: int) -> int | None:
        """The tag's number if a row of it is due."""
        tag = self._tags.get(sample.tag)
        if tag is None:
            self._open.execute(
                "insert into tag(name) values(?) on conflict do nothing", (sample.tag,)
            )
            row = self._open.execute("select id from tag where name=?", (sample.tag,)).fetchone()
            tag = self._tags[sample.tag] = int(row[0])
        if tag in self._rows:
            last, last_at_ns = self._rows[tag]
            # abs: a clock that was set back must not silence the tag until it has caught up
            if _same(last, sample) and abs(at_ns - last_at_ns) < layout.RESTATED_AFTER_NS:
                return None
        self._rows[tag] = sample, at_ns
        return tag

    def _make_room(self) -> None:
        for _ in range(_DROPS_A_WRITE):
            (pages,) = self._open.execute("pragma page_count").fetchone()
            (free,) = self._open.execute("pragma freelist_count").fetchone()
            if pages - free <= self._pages - self._spare_pages:
                return
            if not self._drop_oldest():
                return

    def _drop_oldest(self) -> bool:
        """Delete the oldest frames and all that hangs on them; whether there were any.

        Of a few large frames half are kept.
        """
        connection = self._open
        connection.execute("begin immediate")
        oldest = connection.execute(
            "select id from frame order by id limit ?", (2 * _DROPPED_AT_ONCE,)
        ).fetchall()
        if not oldest:
            connection.execute("rollback")
            return False
        (last,) = oldest[(len(oldest) - 1) // 2]
        connection.execute("delete from sample where frame <= ?", (last,))
        dropped = connection.execute("delete from frame where id <= ?", (last,)).rowcount
        # A key frame goes when a newer one of its machine covers all frames that are left.
        connection.execute(
            "delete from key_frame where exists (select 1 from key_frame newer where "
            "newer.machine = key_frame.machine and newer.id > key_frame.id and newer.id <= ?)",
            (last + 1,),
        )
        connection.execute(
            "delete from checkpoint where key_frame not in (select id from key_frame)"
        )
        # The newest checkpoint of a machine stays, and with it the rows that are remembered.
        connection.execute("delete from saved where id not in (select saved from checkpoint)")
        connection.execute("commit")
        self.dropped_frames += dropped
        return True


def _stored(value: float | bool | None) -> float | int | None:
    """A two-state value as an integer, any number as a real, so that reading tells them apart."""
    if value is None:
        return None
    return int(value) if isinstance(value, bool) else float(value)


def _same(one: Sample, other: Sample) -> bool:
    return (
        one.value == other.value
        and isinstance(one.value, bool) == isinstance(other.value, bool)
        and one.status == other.status
        and one.uncertainty == other.uncertainty
    )
