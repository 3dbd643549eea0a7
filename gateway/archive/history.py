"""Read the archive while the gateway writes it, or after it died.

Reads with a connection of its own that cannot write, in pages: no transaction is open while the
caller looks at what it got, so the writer's journal never waits for a reader. Windows are half
open, [since, until), and go by the time of the step that took a value in; after a clock was set
back the order is still that of the steps.

Refuses files that are not an archive of this version, and tags and machines that it never saw.
"""

import sqlite3
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeVar

from gateway.archive import layout
from gateway.archive.layout import StoreError
from gateway.archive.reading import reading, snapshot, storable
from gateway.tags import Frame, Sample, Status

_FRAMES_A_PAGE: Final = 250
_STEPS_A_PAGE: Final = 2000  # of the sample table; a few milliseconds
_Found = TypeVar("_Found")


@dataclass(frozen=True, slots=True)
class Archived:
    """A sample with the step that took it in: since then it stood. UTC."""

    step_ns: int
    sample: Sample


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """What a machine's chain had saved after a step; a chain resumed from it goes on there."""

    sequence: int
    utc_ns: int  # of the step
    parts: dict[str, bytes]


def tags(path: Path) -> tuple[str, ...]:
    """The tags that have a history, in alphabetical order. Raises StoreError."""
    with reading(path) as connection:
        rows = connection.execute("select name from tag order by name").fetchall()
    return tuple(name for (name,) in rows)


def machines(path: Path) -> tuple[str, ...]:
    """The machines that have a history, in the order in which they began. Raises StoreError."""
    with reading(path) as connection:
        rows = connection.execute("select name from machine order by id").fetchall()
    return tuple(name for (name,) in rows)


def history(path: Path, tag: str, since_ns: int, until_ns: int, limit: int) -> Iterator[Archived]:
    """The samples of a tag, oldest first, at most `limit` of them. Raises StoreError.

    A sample stands until the next one. While the gateway steps there is one a minute at least,
    and one at each change of value, status or uncertainty; a longer gap means: not measured.
    """

    def page(connection: sqlite3.Connection, after: int, last: int) -> list[Archived]:
        rows = connection.execute(
            "select f.utc_ns, s.time_ns, s.value, s.status, s.uncertainty from sample s "
            "join frame f on f.id = s.frame where s.frame > ? and s.frame <= ? and s.tag = ? "
            "and f.utc_ns >= ? and f.utc_ns < ? order by s.frame",
            (after, last, number, since_ns, until_ns),
        ).fetchall()
        return [Archived(step_ns, _sample(tag, *row)) for step_ns, *row in rows]

    since_ns, until_ns = storable(since_ns), storable(until_ns)
    with reading(path) as connection:
        number = _number(connection, path, "tag", tag)
        left = limit
        for samples in _pages(connection, since_ns, until_ns, _STEPS_A_PAGE, page):
            yield from samples[:left]
            left -= len(samples)
            if left <= 0:
                return


def frames(path: Path, machine: str, since_ns: int, until_ns: int) -> Iterator[Frame]:
    """The Frames of a machine in the order of its steps. Raises StoreError."""
    with reading(path) as connection:
        number = _number(connection, path, "machine", machine)
        yield from _frames(connection, path, since_ns, until_ns, number)


def steps(path: Path, since_ns: int, until_ns: int) -> Iterator[Frame]:
    """The Frames of all machines in the order in which they were archived. Raises StoreError."""
    with reading(path) as connection:
        yield from _frames(connection, path, since_ns, until_ns, None)


def _frames(
    connection: sqlite3.Connection, path: Path, since_ns: int, until_ns: int, machine: int | None
) -> Iterator[Frame]:
    since_ns, until_ns = storable(since_ns), storable(until_ns)

    def page(connection: sqlite3.Connection, after: int, last: int) -> list[Frame]:
        # Of one moment, so that no key frame is dropped between the two reads.
        with snapshot(connection):
            rows = connection.execute(
                "select id, key_frame, body from frame where id > ?1 and id <= ?2 "
                "and utc_ns >= ?3 and utc_ns < ?4 and (?5 is null or machine = ?5) order by id",
                (after, last, since_ns, until_ns, machine),
            ).fetchall()
            bodies = {
                key: connection.execute("select body from key_frame where id=?", (key,)).fetchone()
                for key in {key for _, key, _ in rows}
            }
        return [_frame(path, row, bodies) for row in rows]

    for found in _pages(connection, since_ns, until_ns, _FRAMES_A_PAGE, page):
        yield from found


def checkpoint(path: Path, machine: str, at_or_before_ns: int) -> Checkpoint | None:
    """The newest saved state from which a window that begins then can be replayed.

    None where the archive does not reach back so far. The first Frames after it may have gone at
    the size limit: it is of use where a Frame of the next sequence is left. Raises StoreError.
    """
    at_ns = storable(at_or_before_ns)
    with reading(path) as connection:
        number = _number(connection, path, "machine", machine)
        with snapshot(connection):
            # Not one that is later in the order of steps: the clock may have been set back.
            row = connection.execute(
                "select id, sequence, utc_ns from key_frame where machine=? and utc_ns <= ? "
                "and id <= coalesce((select min(id) from frame where machine=? and utc_ns >= ?), "
                "9223372036854775807) order by id desc limit 1",
                (number, at_ns, number, at_ns),
            ).fetchone()
            if row is None:
                return None
            parts = connection.execute(
                "select c.name, s.body from checkpoint c join saved s on s.id = c.saved "
                "where c.key_frame = ?",
                row[:1],
            ).fetchall()
    return Checkpoint(row[1], row[2], {name: layout.unpack_part(body) for name, body in parts})


def _pages(
    connection: sqlite3.Connection,
    since_ns: int,
    until_ns: int,
    steps: int,
    page: Callable[[sqlite3.Connection, int, int], list[_Found]],
) -> Iterator[list[_Found]]:
    """What `page` finds in each run of `steps` frame numbers (after, last] of the window."""
    first, last = connection.execute(
        "select min(id), max(id) from frame where utc_ns >= ? and utc_ns < ?",
        (since_ns, until_ns),
    ).fetchone()
    if first is None:
        return
    for after in range(first - 1, last, steps):
        yield page(connection, after, min(after + steps, last))


def _number(connection: sqlite3.Connection, path: Path, kind: str, name: str) -> int:
    select = {
        "tag": "select id from tag where name=?",
        "machine": "select id from machine where name=?",
    }[kind]
    row = connection.execute(select, (name,)).fetchone()
    if row is None:
        raise StoreError(f"archive {path} has nothing of {kind} {name!r}. Check the name.")
    return int(row[0])


def _sample(
    tag: str, time_ns: int, value: float | int | None, status: int, uncertainty: float | None
) -> Sample:
    two_state = isinstance(value, int)
    return Sample(tag, bool(value) if two_state else value, Status(status), time_ns, uncertainty)


def _frame(
    path: Path, row: tuple[int, int, bytes], bodies: Mapping[int, tuple[bytes] | None]
) -> Frame:
    number, key, body = row
    try:
        key_frame = bodies[key]
        if key_frame is None:
            raise ValueError("its key frame is missing")
        return Frame.decode(layout.unpack(body, layout.unpack_key_frame(key_frame[0])))
    except ValueError as error:
        raise StoreError(
            f"archive {path}: frame {number} is damaged ({error}). Read around its time, "
            "and check the disk."
        ) from error
