"""Read the archive while the gateway writes it, or after it died.

Reads with a connection of its own that cannot write, in pages: no transaction is open while the
caller looks at what it got, so the writer's journal never waits for a reader. Windows are half
open, [since, until), and go by the time of the step that took a value in; after a clock was set
back the order is still that of the steps.

Refuses files that are not an archive of this version, and tags and machines that it never saw.
"""

import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeVar

from gateway.archive import layout
from gateway.archive.layout import StoreError
from gateway.tags import Frame, Sample, Status, Transition

_FRAMES_A_PAGE: Final = 250
_STEPS_A_PAGE: Final = 2000  # of the sample table; a few milliseconds
_LEAST_NS: Final = -(2**63)
_MOST_NS: Final = 2**63 - 1
_Found = TypeVar("_Found")


@dataclass(frozen=True, slots=True)
class JournalEntry:
    """One alarm transition with the step that brought it."""

    time_ns: int  # of the step, UTC
    machine: str
    sequence: int
    transition: Transition


@dataclass(frozen=True, slots=True)
class Archived:
    """A sample with the step that took it in: since then it stood. UTC."""

    step_ns: int
    sample: Sample


def tags(path: Path) -> tuple[str, ...]:
    """The tags that have a history, in alphabetical order. Raises StoreError."""
    with _reading(path) as connection:
        rows = connection.execute("select name from tag order by name").fetchall()
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

    since_ns, until_ns = _storable(since_ns), _storable(until_ns)
    with _reading(path) as connection:
        number = _number(connection, path, "tag", tag)
        left = limit
        for samples in _pages(connection, since_ns, until_ns, _STEPS_A_PAGE, page):
            yield from samples[:left]
            left -= len(samples)
            if left <= 0:
                return


def frames(path: Path, machine: str, since_ns: int, until_ns: int) -> Iterator[Frame]:
    """The Frames of a machine in the order of its steps. Raises StoreError."""
    with _reading(path) as connection:
        number = _number(connection, path, "machine", machine)
        yield from _frames(
            connection, path, since_ns, until_ns, _FRAMES_A_PAGE, _OF_MACHINE, number
        )


def journal(path: Path, since_ns: int, until_ns: int) -> Iterator[JournalEntry]:
    """The alarm transitions of all machines in the order of the steps. Raises StoreError."""
    with _reading(path) as connection:
        for frame in _frames(
            connection, path, since_ns, until_ns, _STEPS_A_PAGE, _WITH_TRANSITIONS
        ):
            for transition in frame.transitions:
                yield JournalEntry(frame.at.utc_ns, frame.machine, frame.sequence, transition)


_OF_MACHINE: Final = (
    "select id, key_frame, body from frame where id > ? and id <= ? "
    "and utc_ns >= ? and utc_ns < ? and machine = ? order by id"
)
_WITH_TRANSITIONS: Final = (
    "select id, key_frame, body from frame where id > ? and id <= ? "
    "and utc_ns >= ? and utc_ns < ? and id in (select frame from journal) order by id"
)


def _frames(
    connection: sqlite3.Connection,
    path: Path,
    since_ns: int,
    until_ns: int,
    steps: int,
    select: str,
    *of: int,
) -> Iterator[Frame]:
    def page(connection: sqlite3.Connection, after: int, last: int) -> list[Frame]:
        # One transaction, so that no key frame is dropped between the two reads.
        connection.execute("begin")
        try:
            rows = connection.execute(select, (after, last, since_ns, until_ns, *of)).fetchall()
            bodies = {
                key: connection.execute("select body from key_frame where id=?", (key,)).fetchone()
                for key in {key for _, key, _ in rows}
            }
        finally:
            connection.execute("rollback")
        return [_frame(path, row, bodies) for row in rows]

    since_ns, until_ns = _storable(since_ns), _storable(until_ns)
    for found in _pages(connection, since_ns, until_ns, steps, page):
        yield from found


@contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection]:
    if not path.exists():
        raise StoreError(
            f"there is no archive at {path}. Check the state directory; "
            "the archive is begun when the gateway first runs."
        )
    with layout.plain_errors(path):
        uri = f"{path.absolute().as_uri()}?mode=ro"
        with closing(sqlite3.connect(uri, uri=True, isolation_level=None)) as connection:
            connection.execute(f"pragma busy_timeout={layout.BUSY_TIMEOUT_MS}")
            connection.execute("pragma query_only=1")
            layout.check_owner(connection, path)
            yield connection


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


def _storable(time_ns: int) -> int:
    return min(max(time_ns, _LEAST_NS), _MOST_NS)


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
