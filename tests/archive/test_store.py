"""The archive's writer, through its door, on real files."""

import asyncio
import os
import resource
import sqlite3
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from gateway.archive import history
from gateway.archive.layout import StoreError
from gateway.archive.store import Store
from gateway.tags import Frame

MiB = 1024 * 1024
ALWAYS = (0, 2**63 - 1)
FrameMaker = Callable[..., Frame]


@asynccontextmanager
async def store_at(path: Path, max_size_bytes: int = 64 * MiB) -> AsyncIterator[Store]:
    store = await Store.open(path, max_size_bytes=max_size_bytes)
    try:
        yield store
    finally:
        await store.close()


async def test_frames_and_states_outlive_the_store(tmp_path: Path, frame: FrameMaker) -> None:
    """What was written is there after the next open: Frames, last state, last sequence."""
    path = tmp_path / "archive.db"
    written = [frame(i, machine=m) for i in range(1, 4) for m in ("G1", "G2")]
    async with store_at(path) as store:
        assert {} == store.parts()
        for f in written:
            await store.write([(f, {"alarms": f"{f.machine} {f.sequence}".encode()})])
        assert 6 == store.frames_written
    async with store_at(path) as store:
        assert {"G1": {"alarms": b"G1 3"}, "G2": {"alarms": b"G2 3"}} == store.parts()
        assert {"G1": 3, "G2": 3} == store.sequences()
        assert 0 == store.frames_written
    for machine in ("G1", "G2"):
        expected = [f for f in written if f.machine == machine]
        assert expected == list(history.frames(path, machine, *ALWAYS))


async def test_key_frames_are_renewed(tmp_path: Path, frame: FrameMaker) -> None:
    """Frames packed against different key frames all come back whole."""
    path = tmp_path / "archive.db"
    written = [frame(i) for i in range(1, 1302)]
    async with store_at(path) as store:
        await store.write([(f, {}) for f in written])
    assert written == list(history.frames(path, "G1", *ALWAYS))
    with sqlite3.connect(path) as connection:
        assert [(1,), (601,), (1201,)] == connection.execute("select id from key_frame").fetchall()
    connection.close()


async def test_writes_that_wait_are_committed_together(tmp_path: Path, frame: FrameMaker) -> None:
    """A hundred writes at once cost far fewer than a hundred commits and keep their order."""
    path = tmp_path / "archive.db"
    async with store_at(path) as store:
        with sqlite3.connect(path) as watcher:
            before = watcher.execute("pragma data_version").fetchone()
            writes = [store.write([(frame(i), {})]) for i in range(1, 101)]
            seen = {before}

            async def watch() -> None:
                while True:
                    seen.add(watcher.execute("pragma data_version").fetchone())
                    await asyncio.sleep(0)

            watching = asyncio.create_task(watch())
            await asyncio.gather(*writes)
            watching.cancel()
        watcher.close()
        assert 100 == store.frames_written
    assert list(range(1, 101)) == [f.sequence for f in history.frames(path, "G1", *ALWAYS)]
    assert len(seen) < 50


async def test_sequence_must_follow(tmp_path: Path, frame: FrameMaker) -> None:
    """A Frame that repeats a sequence is refused alone; the writes beside it are kept."""
    path = tmp_path / "archive.db"
    async with store_at(path) as store:
        await store.write([(frame(5), {"alarms": b"five"})])
        results = await asyncio.gather(
            store.write([(frame(6), {"alarms": b"six"})]),
            store.write([(frame(5), {"alarms": b"again"})]),
            store.write([(frame(7), {"alarms": b"seven"})]),
            return_exceptions=True,
        )
        assert [None, True, None] == [
            r if r is None else isinstance(r, StoreError) for r in results
        ]
        assert "frame 5 of G1 does not follow frame 6" in str(results[1])
        with pytest.raises(StoreError, match="frame 7 of G1 does not follow frame 7"):
            await store.write([(frame(7), {"alarms": b"the same again"})])
    async with store_at(path) as store:
        assert {"G1": {"alarms": b"seven"}} == store.parts()
    assert [5, 6, 7] == [f.sequence for f in history.frames(path, "G1", *ALWAYS)]


async def test_size_limit_drops_the_oldest(tmp_path: Path, frame: FrameMaker) -> None:
    """At the size limit the oldest Frames go, counted; the newest stay and the file stays small."""
    path = tmp_path / "archive.db"
    limit, sequence = 2 * MiB, 0
    async with store_at(path, limit) as store:
        while store.dropped_frames < 3000:
            batch = [frame(sequence + i) for i in range(1, 51)]
            sequence += 50
            await store.write([(f, {"alarms": b"state"}) for f in batch])
            assert store.bytes_on_disk <= limit + 64 * 1024  # and the -shm file
            assert sequence < 100_000, "nothing is dropped"
        left = list(history.frames(path, "G1", *ALWAYS))
        assert list(range(store.dropped_frames + 1, sequence + 1)) == [f.sequence for f in left]
        assert store.frames_written == sequence
        samples = list(history.history(path, "G1.resistance", *ALWAYS, limit=10**6))
        assert len(left) == len(samples)
    with sqlite3.connect(path) as connection:
        assert [("ok",)] == connection.execute("pragma integrity_check").fetchall()
        (keys,) = connection.execute("select count(*) from key_frame").fetchone()
    connection.close()
    assert keys <= len(left) / 600 + 2


async def test_smaller_limit_is_obeyed(tmp_path: Path, frame: FrameMaker) -> None:
    """An archive that was larger than today's limit is used within the limit."""
    path = tmp_path / "archive.db"
    async with store_at(path) as store:
        await store.write([(frame(i), {}) for i in range(1, 12_001)])
        size = store.bytes_on_disk
    async with store_at(path, 1 * MiB) as store:
        for i in range(12_001, 12_021):
            await store.write([(frame(i), {})])
        assert store.dropped_frames > 6000
        assert store.bytes_on_disk <= size + 256 * 1024
    assert 12_020 == list(history.frames(path, "G1", *ALWAYS))[-1].sequence


async def test_full_disk_is_an_error_and_then_it_is_not(tmp_path: Path, frame: FrameMaker) -> None:
    """A write on a full disk raises StoreError; once there is room the next write succeeds."""
    path = tmp_path / "archive.db"
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    async with store_at(path) as store:
        await store.write([(frame(1), {"alarms": b"one"})])
        resource.setrlimit(resource.RLIMIT_FSIZE, (store.bytes_on_disk + 100_000, hard))
        acknowledged, refused = [1], []
        try:
            for i in range(2, 400):
                try:
                    await store.write([(frame(i), {"alarms": b"%d" % i})])
                    acknowledged.append(i)
                except StoreError as error:
                    refused.append(str(error))
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        assert refused, "the disk was never full"
        assert str(path) in refused[0]
        assert "tried again every step" in refused[0]
        await store.write([(frame(400), {"alarms": b"400"})])
    assert [*acknowledged, 400] == [f.sequence for f in history.frames(path, "G1", *ALWAYS)]
    async with store_at(path) as store:
        assert {"G1": {"alarms": b"400"}} == store.parts()


async def test_foreign_file_is_left_alone(tmp_path: Path) -> None:
    """Another program's database is refused and not one byte of it is changed."""
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as connection:
        connection.execute("create table theirs(x)")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(StoreError, match="database of another program"):
        await Store.open(path, max_size_bytes=16 * MiB)
    with pytest.raises(StoreError, match="database of another program"):
        history.tags(path)
    assert before == path.read_bytes()
    assert ["other.db"] == os.listdir(tmp_path)


async def test_text_file_is_refused(tmp_path: Path) -> None:
    """A file that is no database at all is refused with a remedy."""
    path = tmp_path / "site.yaml"
    path.write_text("site: Mill Creek\n" * 100)
    with pytest.raises(StoreError, match=r"not an archive.*Name another file"):
        await Store.open(path, max_size_bytes=16 * MiB)


async def test_newer_version_is_refused(tmp_path: Path, frame: FrameMaker) -> None:
    """An archive of a newer gateway is refused, with both versions named."""
    path = tmp_path / "archive.db"
    async with store_at(path) as store:
        await store.write([(frame(1), {})])
    with sqlite3.connect(path) as connection:
        connection.execute("pragma user_version=7")
    connection.close()
    with pytest.raises(StoreError, match="version 7, this gateway knows version 2"):
        await Store.open(path, max_size_bytes=16 * MiB)
    with pytest.raises(StoreError, match="version 7, this gateway knows version 2"):
        history.tags(path)


async def test_missing_directory_is_explained(tmp_path: Path) -> None:
    """A path whose directory does not exist is an error that says so."""
    with pytest.raises(StoreError, match="its directory exists"):
        await Store.open(tmp_path / "none" / "archive.db", max_size_bytes=16 * MiB)


async def test_damaged_frame_is_an_error(tmp_path: Path, frame: FrameMaker) -> None:
    """A changed byte of a stored Frame is reported with its number, and never read as a Frame."""
    path = tmp_path / "archive.db"
    async with store_at(path) as store:
        await store.write([(frame(i), {}) for i in range(1, 4)])
    with sqlite3.connect(path) as connection:
        (body,) = connection.execute("select body from frame where id=2").fetchone()
        damaged = body[:-6] + bytes([body[-6] ^ 1]) + body[-5:]
        connection.execute("update frame set body=? where id=2", (damaged,))
    connection.close()
    with pytest.raises(StoreError, match="frame 2 is damaged"):
        list(history.frames(path, "G1", *ALWAYS))


async def test_closed_store_refuses(tmp_path: Path, frame: FrameMaker) -> None:
    """Closing writes what waits; a write after it is refused; closing twice is harmless."""
    path = tmp_path / "archive.db"
    store = await Store.open(path, max_size_bytes=16 * MiB)
    waiting = asyncio.create_task(store.write([(frame(1), {})]))
    await asyncio.sleep(0)
    await store.close()
    await waiting
    await store.close()
    with pytest.raises(StoreError, match="is closed"):
        await store.write([(frame(2), {})])
    assert [1] == [f.sequence for f in history.frames(path, "G1", *ALWAYS)]


async def test_cancelled_write_passes(tmp_path: Path, frame: FrameMaker) -> None:
    """Cancelling a write ends it at once and harms no later write."""
    path = tmp_path / "archive.db"
    async with store_at(path) as store:
        for i in range(1, 201):
            task = asyncio.create_task(store.write([(frame(i), {})]))
            await asyncio.sleep(0)
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
        await store.write([(frame(201), {"alarms": b"last"})])
    assert 201 == list(history.frames(path, "G1", *ALWAYS))[-1].sequence


async def test_only_parts_that_changed_are_written(tmp_path: Path, frame: FrameMaker) -> None:
    """A large part that stays as it is costs a step nothing on disk, and is there all the same."""
    path = tmp_path / "archive.db"
    trend = os.urandom(200_000)
    async with store_at(path) as store:
        await store.write([(frame(1), {"clock": b"1", "trend": trend})])
        before = store.bytes_on_disk
        for i in range(2, 102):
            await store.write([(frame(i), {"clock": b"%d" % i, "trend": trend})])
        assert store.bytes_on_disk - before < 100 * 16 * 1024
    async with store_at(path) as store:
        assert {"G1": {"clock": b"101", "trend": trend}} == store.parts()


async def test_a_part_that_is_no_longer_saved_is_forgotten(
    tmp_path: Path, frame: FrameMaker
) -> None:
    """What another version saved is offered once; after the next step only what was saved then."""
    path = tmp_path / "archive.db"
    for i, parts in enumerate(({"a": b"1", "b": b"2"}, {"b": b"3", "c": b"4"}), 1):
        async with store_at(path) as store:
            await store.write([(frame(i), parts)])
    async with store_at(path) as store:
        assert {"G1": {"b": b"3", "c": b"4"}} == store.parts()


async def test_a_damaged_part_is_empty_and_the_others_are_whole(
    tmp_path: Path, frame: FrameMaker
) -> None:
    """A changed byte in one saved part is seen, and costs that part only."""
    path = tmp_path / "archive.db"
    async with store_at(path) as store:
        await store.write([(frame(1), {"alarms": b"latched" * 9, "signals": b"values" * 9})])
    with sqlite3.connect(path) as connection:
        (body,) = connection.execute("select body from part where name='signals'").fetchone()
        damaged = body[:-1] + bytes([body[-1] ^ 1])
        connection.execute("update part set body=? where name='signals'", (damaged,))
    connection.close()
    async with store_at(path) as store:
        assert {"G1": {"alarms": b"latched" * 9, "signals": b""}} == store.parts()
