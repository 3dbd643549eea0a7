"""Reading the archive, beside its writer and after it."""

import asyncio
import gc
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.archive import history
from gateway.archive.layout import StoreError
from gateway.archive.store import Store
from gateway.tags import (
    BAD_TIMEOUT,
    GOOD,
    UNCERTAIN_LAST_USABLE_VALUE,
    Frame,
    Instant,
    Limit,
    Sample,
    Status,
)

MiB = 1024 * 1024
ALWAYS = (0, 2**63 - 1)
S = 1_000_000_000
T0 = 1_790_000_000 * S
FrameMaker = Callable[..., Frame]


async def write_all(path: Path, frames: list[Frame]) -> None:
    store = await Store.open(path, max_size_bytes=64 * MiB)
    await store.write([(f, {}) for f in frames])
    await store.close()


def one_tag(frame: FrameMaker, *steps: tuple[int, float | None, Status, int]) -> list[Frame]:
    """Frames of one tag: (second, value, status, second of measurement)."""
    return [
        frame(
            i,
            utc_ns=T0 + second * S,
            samples=[Sample("r", value, status, T0 + measured * S)],
        )
        for i, (second, value, status, measured) in enumerate(steps, 1)
    ]


def samples(path: Path, tag: str, limit: int) -> list[Sample]:
    return [a.sample for a in history.history(path, tag, *ALWAYS, limit=limit)]


async def test_row_tells_since_when_it_stands(tmp_path: Path, frame: FrameMaker) -> None:
    """An old value that turned stale says when it did so, beside when it was measured."""
    path = tmp_path / "a.db"
    stale = UNCERTAIN_LAST_USABLE_VALUE
    await write_all(path, one_tag(frame, (0, 2.0, GOOD, 0), (7, 2.0, stale, 0)))
    rows = list(history.history(path, "r", *ALWAYS, limit=9))
    expected = [(0, 0), (7, 0)]
    assert expected == [((a.step_ns - T0) // S, (a.sample.time_ns - T0) // S) for a in rows]


async def test_only_changes_are_kept(tmp_path: Path, frame: FrameMaker) -> None:
    """A row is written at a change of value or status, not at a new time alone."""
    path = tmp_path / "a.db"
    frames = one_tag(
        frame,
        (0, 1.0, GOOD, 0),
        (1, 1.0, GOOD, 1),
        (2, 2.0, GOOD, 2),
        (3, 2.0, UNCERTAIN_LAST_USABLE_VALUE, 2),
        (4, None, BAD_TIMEOUT, 4),
        (5, None, BAD_TIMEOUT, 5),
        (6, 2.0, GOOD.with_limit(Limit.HIGH), 6),
    )
    await write_all(path, frames)
    expected = [frames[i].samples[0] for i in (0, 2, 3, 4, 6)]
    assert expected == samples(path, "r", 100)


async def test_standing_value_is_restated_each_minute(tmp_path: Path, frame: FrameMaker) -> None:
    """A value that stands still has a row a minute, so that a longer gap means: not measured."""
    path = tmp_path / "a.db"
    await write_all(path, one_tag(frame, *((i, 5.0, GOOD, i) for i in range(200))))
    rows = samples(path, "r", 100)
    assert [0, 60, 120, 180] == [(s.time_ns - T0) // S for s in rows]


async def test_clock_set_back_silences_no_tag(tmp_path: Path, frame: FrameMaker) -> None:
    """After the clock was set back an hour, Frames keep their order and tags their rows."""
    path = tmp_path / "a.db"
    seconds = [*range(3600, 3605), *range(0, 5)]
    frames = one_tag(frame, *((s, 5.0, GOOD, s) for s in seconds))
    await write_all(path, frames)
    assert frames == list(history.frames(path, "G1", *ALWAYS))
    assert frames[5:] == list(history.frames(path, "G1", T0, T0 + 100 * S))
    rows = samples(path, "r", 100)
    assert [3600, 0] == [(s.time_ns - T0) // S for s in rows]


async def test_window_is_half_open_and_limited(tmp_path: Path, frame: FrameMaker) -> None:
    """[since, until) and the limit hold, also across pages and for times no file can hold."""
    path = tmp_path / "a.db"
    await write_all(path, one_tag(frame, *((i, float(i), GOOD, i) for i in range(5000))))

    def values(since_ns: int, until_ns: int, limit: int) -> list[float | bool | None]:
        return [a.sample.value for a in history.history(path, "r", since_ns, until_ns, limit)]

    assert [10.0, 11.0] == values(T0 + 10 * S, T0 + 12 * S, 100)
    assert [float(i) for i in range(3000)] == values(T0, T0 + 5000 * S, 3000)
    assert 5000 == len(values(-(10**30), 10**30, 10**9))
    assert [] == values(T0, T0, 100)
    assert [] == values(T0, T0 + 5 * S, 0)
    window = history.frames(path, "G1", T0 + 10 * S, T0 + 12 * S)
    assert [11, 12] == [f.sequence for f in window]


async def test_unknown_names_are_errors(tmp_path: Path, frame: FrameMaker) -> None:
    """A tag, machine or file that does not exist is an error, not an empty history."""
    path = tmp_path / "a.db"
    await write_all(path, [frame(1)])
    assert ("G1.brush", "G1.resistance") == history.tags(path)
    with pytest.raises(StoreError, match=r"nothing of tag 'G1\.x'"):
        list(history.history(path, "G1.x", *ALWAYS, limit=1))
    with pytest.raises(StoreError, match="nothing of machine 'G9'"):
        list(history.frames(path, "G9", *ALWAYS))
    with pytest.raises(StoreError, match="no archive at"):
        history.tags(tmp_path / "none.db")
    assert not (tmp_path / "none.db").exists()


async def test_reading_beside_the_writer(tmp_path: Path, frame: FrameMaker) -> None:
    """A reader sees a growing unbroken run of Frames, and a paused one holds up no checkpoint."""
    path = tmp_path / "a.db"
    store = await Store.open(path, max_size_bytes=64 * MiB)
    await store.write([(frame(i), {}) for i in range(1, 1001)])
    paused = history.frames(path, "G1", *ALWAYS)
    assert 1 == next(paused).sequence
    lengths: list[int] = []
    done = threading.Event()

    def read() -> None:
        while not done.is_set():
            sequences = [f.sequence for f in history.frames(path, "G1", *ALWAYS)]
            assert list(range(1, len(sequences) + 1)) == sequences
            lengths.append(len(sequences))

    reading = asyncio.create_task(asyncio.to_thread(read))
    for i in range(1001, 6001, 10):
        await store.write([(frame(i + k), {"alarms": b"x" * 4000}) for k in range(10)])
    done.set()
    await reading
    # Half of the journal's share is where a checkpoint is due; this wrote several times that.
    wal_bytes = path.with_name("a.db-wal").stat().st_size
    assert wal_bytes < 20 * MiB
    assert lengths == sorted(lengths)
    assert lengths[0] < lengths[-1]
    assert list(range(2, 1001)) == [f.sequence for f in paused]
    await store.close()


async def test_page_that_is_dropped_meanwhile(tmp_path: Path, frame: FrameMaker) -> None:
    """A reader whose next page was dropped goes on with what is left."""
    path = tmp_path / "a.db"
    store = await Store.open(path, max_size_bytes=1 * MiB)
    await store.write([(frame(i), {}) for i in range(1, 1001)])
    paused = history.frames(path, "G1", *ALWAYS)
    assert 1 == next(paused).sequence
    sequence = 1000
    while store.dropped_frames < 700:
        await store.write([(frame(sequence + i), {}) for i in range(1, 101)])
        sequence += 100
    rest = [f.sequence for f in paused]
    dropped = store.dropped_frames
    await store.close()
    assert [*range(2, 251), *range(dropped + 1, 1001)] == rest


async def test_left_reader_closes_its_file(tmp_path: Path, frame: FrameMaker) -> None:
    """A reader that is left half way leaves no open connection: the writer's file closes clean."""
    path = tmp_path / "a.db"
    store = await Store.open(path, max_size_bytes=64 * MiB)
    await store.write([(frame(i), {}) for i in range(1, 1001)])
    left = history.frames(path, "G1", *ALWAYS)
    next(left)
    del left
    gc.collect()
    await store.close()
    assert [False, False] == [path.with_name(n).exists() for n in ("a.db-wal", "a.db-shm")]


async def test_reader_cannot_write(tmp_path: Path, frame: FrameMaker) -> None:
    """Reading changes not one byte of the archive."""
    path = tmp_path / "a.db"
    await write_all(path, [frame(i) for i in range(1, 11)])
    before = path.read_bytes()
    list(history.frames(path, "G1", *ALWAYS))
    list(history.history(path, "G1.brush", *ALWAYS, limit=9))
    assert before == path.read_bytes()


finite = st.floats(allow_nan=False, allow_infinity=False, width=64)
statuses = st.sampled_from([GOOD, GOOD.with_limit(Limit.HIGH), UNCERTAIN_LAST_USABLE_VALUE])
values = st.one_of(
    st.tuples(st.one_of(finite, st.booleans()), statuses),
    st.tuples(st.none(), st.just(BAD_TIMEOUT)),
)
steps = st.lists(
    st.tuples(values, st.integers(0, 2**62), st.one_of(st.none(), st.floats(0, 1e9))),
    min_size=1,
    max_size=30,
)


@settings(max_examples=50)
@given(steps)
def test_last_row_is_what_the_frame_says(
    given_steps: list[tuple[tuple[float | bool | None, Status], int, float | None]],
) -> None:
    """Whatever is written, the rows up to a step end with exactly what its Frame says."""
    frames = [
        Frame(
            "G1",
            i,
            Instant(T0 + i * S, i),
            (),
            (),
            (Sample("r", value, status, measured_ns, uncertainty),),
            (),
            (),
        )
        for i, ((value, status), measured_ns, uncertainty) in enumerate(given_steps)
    ]
    with TemporaryDirectory() as directory:
        path = Path(directory) / "a.db"
        asyncio.run(write_all(path, frames))
        assert frames == list(history.frames(path, "G1", *ALWAYS))
        for f in frames:
            *_, archived = history.history(path, "r", 0, f.at.utc_ns + 1, limit=100)
            expected, last = f.samples[0], archived.sample
            assert (expected.value, type(expected.value)) == (last.value, type(last.value))
            assert (expected.status, expected.uncertainty) == (last.status, last.uncertainty)


def test_sql_names_are_only_names(tmp_path: Path) -> None:
    """A path with the characters of a URI is a path, and a tag with a quote is a tag."""
    path = tmp_path / "a?mode=rw#%20.db"
    tag = "x'; drop table frame; --"
    one = Frame("G1", 1, Instant(T0, 1), (), (), (Sample(tag, 1.0, GOOD, T0),), (), ())
    asyncio.run(write_all(path, [one]))
    assert [one.samples[0]] == samples(path, tag, 9)
    assert [one] == list(history.frames(path, "G1", *ALWAYS))


async def test_a_replay_can_begin_at_a_checkpoint(tmp_path: Path, frame: FrameMaker) -> None:
    """The saved parts after each key frame are kept; the one before a moment is found."""
    path = tmp_path / "a.db"
    store = await Store.open(path, max_size_bytes=64 * MiB)
    trend = b"trend" * 9
    for i in range(1, 1302):
        parts = {"clock": b"after %d" % i, "trend": trend if i < 1000 else b"new"}
        await store.write([(frame(i), parts)])
    await store.close()
    at = {i: T0 + i * S for i in (0, 1, 600, 601, 1200, 1201, 1301)}
    assert None is history.checkpoint(path, "G1", at[0])
    for moment, sequence in ((1, 1), (600, 1), (601, 601), (1200, 601), (1301, 1201)):
        found = history.checkpoint(path, "G1", at[moment])
        parts = {"clock": b"after %d" % sequence, "trend": b"new" if sequence > 1000 else trend}
        assert history.Checkpoint(sequence, T0 + sequence * S, parts) == found
    with closing(sqlite3.connect(path)) as connection:
        # Three of the clock, two of the trend: what did not change is kept once.
        assert (5,) == connection.execute("select count(*) from saved").fetchone()


async def test_a_checkpoint_is_before_its_window_also_when_the_clock_was_set_back(
    tmp_path: Path, frame: FrameMaker
) -> None:
    """The checkpoint found is earlier in the order of steps than every Frame since the moment."""
    path = tmp_path / "a.db"
    store = await Store.open(path, max_size_bytes=64 * MiB)
    for i in range(1, 1302):
        # At step 1150 the clock is set back by 1000 s: times from 150 to 301 come twice.
        await store.write(
            [(frame(i, utc_ns=T0 + (i if i < 1150 else i - 1000) * S), {"x": b"%d" % i})]
        )
    await store.close()
    for second in (100, 200, 300, 601, 640, 1149):
        found = history.checkpoint(path, "G1", T0 + second * S)
        first = next(history.frames(path, "G1", T0 + second * S, ALWAYS[1]))
        assert found is not None
        assert found.sequence <= first.sequence
        assert found.utc_ns <= T0 + second * S


async def test_checkpoints_go_with_their_frames(tmp_path: Path, frame: FrameMaker) -> None:
    """At the size limit what no checkpoint needs any more goes; a part in use stays."""
    path = tmp_path / "a.db"
    store = await Store.open(path, max_size_bytes=MiB)
    sequence = 0
    while store.dropped_frames < 5000:
        batch = [
            (frame(sequence + i), {"x": b"%d" % (sequence + i), "y": b"y"}) for i in range(1, 51)
        ]
        await store.write(batch)
        sequence += 50
        assert sequence < 100_000, "nothing is dropped"
    await store.close()
    first = next(history.frames(path, "G1", *ALWAYS))
    found = history.checkpoint(path, "G1", first.at.utc_ns)
    assert found is not None
    assert {"x": b"%d" % found.sequence, "y": b"y"} == found.parts
    with closing(sqlite3.connect(path)) as connection:
        for orphans in (
            "saved where id not in (select saved from checkpoint)",
            "checkpoint where key_frame not in (select id from key_frame)",
        ):
            count = connection.execute(f"select count(*) from {orphans}").fetchone()  # noqa: S608
            assert (0,) == count
        (kept,) = connection.execute("select count(*) from saved").fetchone()
    assert kept < 20
