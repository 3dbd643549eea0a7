"""The capture file: it reads back as it was written, and any damage is told."""

import gzip
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.alarms.journal import JournalEntry, entries_of
from gateway.replay.capture import (
    FORMAT,
    VERSION,
    Beginning,
    CaptureError,
    Header,
    Part,
    Step,
    opened,
    step_of,
    writing,
)
from gateway.site.read import read
from tests.replay.plant import fault_day, lived, write_site

HEADER = Header(
    FORMAT,
    VERSION,
    "Heron Lock",
    "ab" * 32,
    "0.0",
    1,
    2,
    1,
    (Beginning("G1", 0, (Part("alarms", "{}"),), ("G1.LOW",)), Beginning("G2", 0, (), ())),
)


@pytest.fixture(scope="module")
def content(tmp_path_factory: pytest.TempPathFactory) -> list[Step | JournalEntry]:
    site, _ = read(write_site(tmp_path_factory.mktemp("site")))
    lines: list[Step | JournalEntry] = []
    number = 1
    for frame, _ in lived(site, fault_day(2, 8, 1)):
        lines.append(step_of(frame, run_up=False))
        entries = entries_of(frame, number)
        lines += entries
        number += len(entries)
    return lines


def write(path: Path, content: list[Step | JournalEntry]) -> bytes:
    with writing(path) as writer:
        writer.header(HEADER)
        for line in content:
            if isinstance(line, Step):
                writer.step(line)
            else:
                writer.entry(line)
    return path.read_bytes()


def lines_of(path: Path) -> tuple[Header, list[Step | JournalEntry]]:
    with opened(path) as capture:
        return capture.header, list(capture.lines())


@pytest.fixture(scope="module")
def whole(
    tmp_path_factory: pytest.TempPathFactory, content: list[Step | JournalEntry]
) -> tuple[Path, bytes]:
    path = tmp_path_factory.mktemp("capture") / "day.capture"
    return path, write(path, content)


@pytest.mark.parametrize("name", ["day.capture", "day.capture.gz"])
def test_a_capture_reads_back(
    tmp_path: Path, content: list[Step | JournalEntry], name: str
) -> None:
    """Header, steps and entries come back as they went in, packed or not, as the same bytes."""
    first = write(tmp_path / name, content)
    assert (HEADER, content) == lines_of(tmp_path / name)
    assert any(isinstance(line, JournalEntry) for line in content)
    assert first == write(tmp_path / name, content)
    assert name.endswith(".gz") == (first[:2] == b"\x1f\x8b")
    assert [tmp_path / name] == list(tmp_path.iterdir())


@given(st.data())
@settings(max_examples=300)
def test_any_changed_byte_is_told(whole: tuple[Path, bytes], data: st.DataObject) -> None:
    """Whichever byte is changed, the file is refused, with the number of a line."""
    path, good = whole
    place = data.draw(st.integers(0, len(good) - 1))
    other = data.draw(st.integers(0, 255).filter(lambda value: value != good[place]))
    damaged = path.with_name("damaged.capture")
    damaged.write_bytes(good[:place] + bytes((other,)) + good[place + 1 :])
    with pytest.raises(CaptureError, match=r"damaged\.capture, line \d+: "):
        lines_of(damaged)


@given(st.data())
@settings(max_examples=100)
def test_a_cut_is_told(whole: tuple[Path, bytes], data: st.DataObject) -> None:
    """A file that ends early is refused, wherever it ends; so is one with something behind it."""
    path, good = whole
    cut = path.with_name("cut.capture")
    cut.write_bytes(good[: data.draw(st.integers(0, len(good) - 1))])
    with pytest.raises(CaptureError, match=r"line \d+: "):
        lines_of(cut)
    cut.write_bytes(good + b"\n")
    with pytest.raises(CaptureError, match="follows its last line"):
        lines_of(cut)


def test_lines_that_are_moved_or_left_out_are_told(whole: tuple[Path, bytes]) -> None:
    """Whole lines cannot be exchanged, dropped or doubled."""
    path, good = whole
    lines = good.splitlines(keepends=True)
    changed = path.with_name("changed.capture")
    for other in (
        [*lines[:3], lines[4], lines[3], *lines[5:]],
        [*lines[:3], *lines[4:]],
        [*lines[:4], lines[3], *lines[4:]],
        [*lines[:-2], lines[-1]],
    ):
        changed.write_bytes(b"".join(other))
        with pytest.raises(CaptureError, match=r"line \d+: "):
            lines_of(changed)


@given(st.data())
@settings(max_examples=200)
def test_a_damaged_packed_file_never_reads_as_another(
    whole: tuple[Path, bytes], content: list[Step | JournalEntry], data: st.DataObject
) -> None:
    """A packed file with a changed byte is refused, or reads as before: gzip has idle bytes."""
    path, good = whole
    packed = gzip.compress(good, mtime=0)
    place = data.draw(st.integers(0, len(packed) - 1))
    damaged = path.with_name("damaged.capture.gz")
    damaged.write_bytes(packed[:place] + bytes((packed[place] ^ 0x10,)) + packed[place + 1 :])
    try:
        assert (HEADER, content) == lines_of(damaged)
    except CaptureError as error:
        assert "line " in str(error)


def test_a_newer_format_is_named(tmp_path: Path) -> None:
    """A capture of another format is refused by its number, not as damaged."""
    path = tmp_path / "new.capture"
    newer = Header(FORMAT, VERSION + 1, "", "", "", 0, 0, 1, ())
    with writing(path) as writer:
        writer.header(newer)
    with pytest.raises(CaptureError, match="format"):
        lines_of(path)


def test_a_file_that_could_not_be_finished_is_not_there(tmp_path: Path) -> None:
    """When recording fails midway, nothing is left under the name, nor beside it."""
    with pytest.raises(ZeroDivisionError), writing(tmp_path / "x.capture") as writer:
        writer.header(HEADER)
        raise ZeroDivisionError
    assert [] == list(tmp_path.iterdir())
