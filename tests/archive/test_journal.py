"""The alarm journal on disk: what it keeps, and that no change of it goes unseen."""

import asyncio
import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from hashlib import sha256
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.alarms.journal import Anchor
from gateway.archive import history, journal_store
from gateway.archive.journal_store import journal, journal_frame, verify
from gateway.archive.layout import StoreError
from gateway.archive.store import Store
from gateway.tags import AlarmState, Frame, Transition
from tests.archive.conftest import BEGIN_NS, STEP_NS, make_frame

MiB = 1024 * 1024
ALWAYS = (0, 2**63 - 1)
OCCURRED = Transition("f", "occur", AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED)
ACKNOWLEDGED = Transition(
    "f", "acknowledge", AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, "Ada", "seen"
)
REFUSED = Transition(
    "f", "reset", AlarmState.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED, "Ada", "", "still active"
)


async def write(path: Path, frames: Sequence[Frame], max_size_bytes: int = 64 * MiB) -> None:
    store = await Store.open(path, max_size_bytes=max_size_bytes)
    for frame in frames:
        await store.write([(frame, {})])
    await store.close()


def alarmed(sequence: int, *transitions: Transition, machine: str = "G1") -> Frame:
    return make_frame(sequence, machine=machine, transitions=transitions or (OCCURRED,))


FRAMES = (
    alarmed(1, OCCURRED, ACKNOWLEDGED, REFUSED),
    make_frame(2),
    alarmed(3, machine="G2"),
    *(alarmed(i) for i in range(4, 8)),
)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:

    path = tmp_path_factory.mktemp("journal") / "archive.db"
    asyncio.run(write(path, FRAMES))
    yield path


def test_transitions_are_journaled(whole: Path) -> None:
    """Transitions and refused orders are read back, numbered, with the Frame that brought them."""
    entries = list(journal(whole, *ALWAYS))
    assert list(range(1, 9)) == [e.number for e in entries]
    assert [OCCURRED, ACKNOWLEDGED, REFUSED, *[OCCURRED] * 5] == [e.transition for e in entries]
    assert [*[("G1", 1)] * 3, ("G2", 3)] == [(e.machine, e.sequence) for e in entries[:4]]
    assert [FRAMES[0]] * 3 == [journal_frame(whole, n) for n in (1, 2, 3)]
    assert FRAMES[2] == journal_frame(whole, 4)
    with pytest.raises(StoreError, match="no journal entry 9"):
        journal_frame(whole, 9)


def test_a_window_of_the_journal_is_half_open(whole: Path) -> None:
    """The window goes by the time of the step; its end does not belong to it."""
    found = journal(whole, BEGIN_NS + 3 * STEP_NS, BEGIN_NS + 6 * STEP_NS)
    assert [3, 4, 5] == [e.sequence for e in found]


def test_a_whole_journal_verifies(whole: Path) -> None:
    """Every entry holds; the head is the SHA-256 over all, as FIPS 180-4 and this text define it.

    Outside check: the chain is computed here from the stored entries with nothing but hashlib.
    """
    with closing(sqlite3.connect(whole)) as connection:
        running = bytes(32)
        for (entry,) in connection.execute("select entry from journal order by number"):
            running = sha256(running + entry).digest()
    verdict = verify(whole)
    assert (None, 8, 0) == (verdict.broken, verdict.entries, verdict.dropped.number)
    assert Anchor(8, running) == verdict.head
    assert verdict == verify(whole, verdict.head)


def tampered(whole: Path, folder: Path, *statements: tuple[str, Sequence[object]]) -> Path:
    path = folder / "archive.db"
    for suffix in ("", "-wal"):
        source = whole.with_name(whole.name + suffix)
        if source.exists():
            shutil.copy(source, path.with_name(path.name + suffix))
    with closing(sqlite3.connect(path)) as connection:
        for statement, given_values in statements:
            assert 1 <= connection.execute(statement, given_values).rowcount
        connection.commit()
    return path


BLOBS = (
    ("journal", "number", "entry"),
    ("journal", "number", "hash"),
    ("journal_frame", "id", "body"),
    ("journal_anchor", "id", "hash"),
)


@given(st.data())
def test_every_changed_byte_is_told(
    whole: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Whatever byte of whatever row of the journal or its Frames is another, it does not verify."""
    table, key, column = data.draw(st.sampled_from(BLOBS))
    with closing(sqlite3.connect(whole)) as connection:
        rows = connection.execute(f"select {key}, {column} from {table}").fetchall()  # noqa: S608
    row, blob = data.draw(st.sampled_from(rows))
    place = data.draw(st.integers(0, len(blob) - 1))
    changed = bytearray(blob)
    changed[place] ^= data.draw(st.integers(1, 255))
    path = tampered(
        whole,
        tmp_path_factory.mktemp("t"),
        (f"update {table} set {column}=? where {key}=?", (bytes(changed), row)),  # noqa: S608
    )
    broken = verify(path).broken
    assert broken is not None
    if table == "journal":
        assert row == broken.number


def test_every_bit_of_a_kept_frame_counts(whole: Path, tmp_path: Path) -> None:
    """Also of bits that the packing does not need: its two header bytes and its last bits."""
    with closing(sqlite3.connect(whole)) as connection:
        (body,) = connection.execute("select body from journal_frame where id=3").fetchone()
    path = tampered(whole, tmp_path, ("update journal_frame set body=body", ()))
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for place in range(len(body)):
            for bit in range(8):
                changed = bytearray(body)
                changed[place] ^= 1 << bit
                connection.execute("update journal_frame set body=? where id=3", (changed,))
                broken = verify(path).broken
                assert broken is not None and 4 == broken.number, (place, bit)


@given(st.integers(1, 7), st.booleans())
def test_every_deleted_row_is_told(
    whole: Path, tmp_path_factory: pytest.TempPathFactory, number: int, of_frame: bool
) -> None:
    """A missing entry is told by the number that it should have, a missing Frame by its entry."""
    which = "journal where number" if not of_frame else "journal_frame where id"
    frame_ids = {1: 1, 2: 1, 3: 1, 4: 3, 5: 4, 6: 5, 7: 6}
    row = frame_ids[number] if of_frame else number
    path = tampered(
        whole,
        tmp_path_factory.mktemp("t"),
        (f"delete from {which}=?", (row,)),  # noqa: S608
    )
    broken = verify(path).broken
    assert broken is not None
    assert (1 if of_frame and number < 4 else number) == broken.number


ROW = "insert into journal select {number}, utc_ns, frame, entry, hash from journal where number=?"


@given(st.integers(-2, 12).filter(lambda n: not 1 <= n <= 8), st.integers(1, 8))
def test_every_added_entry_is_told(
    whole: Path, tmp_path_factory: pytest.TempPathFactory, at: int, copied: int
) -> None:
    """An entry that is not the next of the chain is told, wherever it is put."""
    path = tampered(whole, tmp_path_factory.mktemp("t"), (ROW.format(number=at), (copied,)))
    assert verify(path).broken is not None


def test_an_added_frame_is_told(whole: Path, tmp_path: Path) -> None:
    """A kept Frame without an entry is what a cut-off entry leaves, or a forger."""
    path = tampered(
        whole,
        tmp_path,
        ("insert into journal_frame select 99, body from journal_frame where id=3", ()),
    )
    broken = verify(path).broken
    assert broken is not None
    assert "number 99 belongs to no entry" in broken.why


@given(st.sampled_from([("journal", "number"), ("journal_frame", "id")]), st.data())
def test_every_swap_is_told(
    whole: Path,
    tmp_path_factory: pytest.TempPathFactory,
    where: tuple[str, str],
    data: st.DataObject,
) -> None:
    """Two rows that change places are told by the first of them."""
    table, key = where
    rows = range(1, 9) if table == "journal" else (1, 3, 4, 5, 6, 7)
    one, two = sorted(
        data.draw(st.lists(st.sampled_from(rows), min_size=2, max_size=2, unique=True))
    )
    move = f"update {table} set {key}=? where {key}=?"  # noqa: S608
    path = tampered(
        whole,
        tmp_path_factory.mktemp("t"),
        (move, (-7, one)),
        (move, (one, two)),
        (move, (two, -7)),
    )
    first = one if table == "journal" else {1: 1, 3: 4, 4: 5, 5: 6, 6: 7}[one]
    broken = verify(path).broken
    assert broken is not None
    assert first == broken.number


@pytest.mark.parametrize("column", ["utc_ns", "frame", "number"])
def test_a_changed_column_is_told(whole: Path, tmp_path: Path, column: str) -> None:
    """What a row says of its entry is checked against the entry."""
    statement = f"update journal set {column} = {column} + 30 where number = 8"  # noqa: S608
    assert verify(tampered(whole, tmp_path, (statement, ()))).broken is not None


@pytest.mark.parametrize("cut", range(1, 9))
def test_a_cut_tail_is_told_by_a_head_that_was_kept(whole: Path, tmp_path: Path, cut: int) -> None:
    """Entries that are cut off with their Frames are missed by whoever kept a head."""
    kept = verify(whole).head
    path = (
        tampered(
            whole,
            tmp_path,
            ("delete from journal where number > ?", (8 - cut,)),
            ("delete from journal_frame where id not in (select frame from journal)", ()),
        )
        if cut != 2
        else tampered(whole, tmp_path, ("delete from journal where number > 6", ()))
    )
    broken = verify(path, kept).broken
    assert broken is not None
    assert 9 - cut == broken.number


def test_a_journal_written_anew_is_told_by_a_head_that_was_kept(
    whole: Path, tmp_path: Path
) -> None:
    """A journal whose every hash was made anew holds by itself, but not against a kept head."""

    path = tmp_path / "forged.db"
    asyncio.run(write(path, [alarmed(1), *FRAMES[1:], *(alarmed(i) for i in range(8, 20))]))
    assert verify(path).broken is None
    broken = verify(path, verify(whole).head).broken
    assert broken is not None
    assert (8, True) == (broken.number, "written anew" in broken.why)


async def test_the_journal_outlives_the_frames(tmp_path: Path) -> None:
    """At the size limit the frames go; the entries and the Frames that brought them stay."""
    path = tmp_path / "archive.db"
    store = await Store.open(path, max_size_bytes=MiB)
    await store.write([(alarmed(1), {})])
    sequence = 1
    while store.dropped_frames < 1000:
        await store.write([(make_frame(sequence + i), {}) for i in range(1, 51)])
        sequence += 50
        assert sequence < 100_000, "nothing is dropped"
    await store.close()
    assert next(history.frames(path, "G1", *ALWAYS)).sequence > 1000
    assert alarmed(1) == journal_frame(path, 1)
    assert verify(path).broken is None


async def test_the_oldest_entries_go_and_the_rest_still_verifies(tmp_path: Path) -> None:
    """A journal has a quarter of the archive at most; what is left goes on from what went."""
    path = tmp_path / "archive.db"
    store = await Store.open(path, max_size_bytes=MiB)
    heads: list[Anchor] = []
    for sequence in range(1, 1501):
        await store.write([(alarmed(sequence, OCCURRED, REFUSED), {})])
        if sequence in (1, 1400):
            heads.append(verify(path).head)
    await store.close()
    verdict = verify(path)
    assert verdict.broken is None
    assert 3000 == verdict.head.number == verdict.dropped.number + verdict.entries
    assert verdict.dropped.number > 1000
    assert list(range(verdict.dropped.number + 1, 3001)) == [
        e.number for e in journal(path, *ALWAYS)
    ]
    with pytest.raises(StoreError, match=r"no journal entry 5.*went at the size limit"):
        journal_frame(path, 5)
    gone, there = (verify(path, head) for head in heads)
    assert (None, True) == (gone.broken, "entry 2 can not be compared" in gone.unproven)
    assert (None, "") == (there.broken, there.unproven)
    with closing(sqlite3.connect(path)) as connection:
        pages = connection.execute(
            "select sum(pgsize) from dbstat where name in "
            "('journal', 'journal_frame', 'journal_time')"
        ).fetchone()
        orphans = connection.execute(
            "select count(*) from journal_frame where id not in (select frame from journal)"
        ).fetchone()
    assert (0,) == orphans
    assert MiB / 10 < pages[0] <= MiB / 4 + 64 * 1024


async def test_reopened_the_journal_goes_on(tmp_path: Path) -> None:
    """The chain of hashes goes over restarts, also where the oldest entries had to go."""
    path = tmp_path / "archive.db"
    for run in range(30):
        await write(path, [alarmed(run * 50 + i) for i in range(1, 51)], MiB)
    verdict = verify(path)
    assert (None, 1500) == (verdict.broken, verdict.head.number)
    assert verdict.dropped.number > 0


async def test_a_refused_write_leaves_no_entry(tmp_path: Path) -> None:
    """Entries of a write that failed are not in the journal, and the chain goes on without them."""
    path = tmp_path / "archive.db"
    store = await Store.open(path, max_size_bytes=MiB)
    await store.write([(alarmed(1), {})])
    with pytest.raises(StoreError):
        await store.write([(alarmed(2), {}), (alarmed(2), {})])
    await store.write([(alarmed(3), {})])
    await store.close()
    assert [1, 3] == [e.sequence for e in journal(path, *ALWAYS)]
    assert verify(path).broken is None


async def test_an_empty_journal_has_nothing_to_go_on_from(tmp_path: Path) -> None:
    """Before its first entry a journal is whole, and what it goes on from can be no other hash."""
    path = tmp_path / "archive.db"
    await write(path, [make_frame(1)])
    assert (None, 0, Anchor()) == (verify(path).broken, verify(path).entries, verify(path).head)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("update journal_anchor set hash = randomblob(32)")
        connection.commit()
    assert verify(path).broken is not None


async def test_verifying_beside_a_writer_that_drops_entries_breaks_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A journal whose oldest entries go while it is looked at, page by page, is not called broken.

    Between any two pages more entries go than a page has, so the look is overtaken.
    """
    path = tmp_path / "archive.db"
    store = await Store.open(path, max_size_bytes=MiB)
    await store.write([(alarmed(i), {}) for i in range(1, 381)])
    loop = asyncio.get_running_loop()
    batches = iter([(alarmed(k), {}) for k in range(i, i + 200)] for i in range(381, 2381, 200))
    honest = journal_store.snapshot

    @contextmanager
    def overtaken(connection: sqlite3.Connection) -> Iterator[None]:
        with honest(connection):
            yield
        if (batch := next(batches, None)) is not None:
            asyncio.run_coroutine_threadsafe(store.write(batch), loop).result(10.0)

    monkeypatch.setattr(journal_store, "snapshot", overtaken)
    monkeypatch.setattr(journal_store, "_ENTRIES_A_PAGE", 50)
    verdict = await asyncio.to_thread(verify, path)
    await store.close()
    assert verdict.broken is None
    assert 2380 == verdict.head.number
    assert verdict.dropped.number > 1000


def test_a_damaged_entry_is_an_error_when_read(whole: Path, tmp_path: Path) -> None:
    """An entry that cannot be read is told with its number and what to do."""
    path = tampered(whole, tmp_path, ("update journal set entry=x'00' where number=4", ()))
    with pytest.raises(StoreError, match=r"journal entry 4 is damaged.*Verify the journal"):
        list(journal(path, *ALWAYS))
    with pytest.raises(StoreError, match=r"journal entry 4 is damaged"):
        journal_frame(path, 4)
