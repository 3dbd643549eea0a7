"""`rotor-gateway replay`: what is said of a capture that differs, is damaged, or is none."""

from pathlib import Path

import pytest

import gateway
from gateway.alarms.journal import entries_of
from gateway.replay.capture import FORMAT, VERSION, Beginning, Header, step_of, writing
from gateway.site.read import read
from tests.cli.invoked import run
from tests.replay.plant import LOW, fault_day, lived, write_site


@pytest.fixture
def site_path(tmp_path: Path) -> Path:
    return write_site(tmp_path)


def record(
    path: Path, site_path: Path, software: str = gateway.__version__, skip: str = ""
) -> None:
    """A capture of a fault, without the journal entries of one cue."""
    site, _ = read(site_path)
    begun = tuple(
        Beginning(m.name, 0, (), tuple(a.name for a in site.file.alarms if a.machine == m.name))
        for m in site.file.machines
    )
    number = 1
    with writing(path) as writer:
        writer.header(Header(FORMAT, VERSION, site.name, site.digest, software, 1, 2, 1, begun))
        for frame, _ in lived(site, fault_day(5, 10, 15)):
            writer.step(step_of(frame, run_up=False))
            for entry in entries_of(frame, number):
                number += 1
                if entry.transition.cue != skip:
                    writer.entry(entry)


def test_another_journal_is_told_with_the_first_difference(tmp_path: Path, site_path: Path) -> None:
    """A recorded journal that lacks an entry is different: exit code 1, and what it is."""
    record(tmp_path / "x.capture", site_path, skip="clear")
    result = run("replay", tmp_path / "x.capture", site_path)
    assert 1 == result.exit_code
    assert "different: 1 entries recorded, 2 replayed" in result.output
    assert f"recorded: nothing; replayed: {LOW} clear, unacknowledged to returned" in result.output


def test_another_version_is_told(tmp_path: Path, site_path: Path) -> None:
    """Who recorded with another version is told so, since that can explain a difference."""
    record(tmp_path / "x.capture", site_path, software="0.0.1")
    result = run("replay", tmp_path / "x.capture", site_path)
    assert 0 == result.exit_code
    assert "recorded with version 0.0.1" in result.stderr


def test_a_damaged_capture_is_refused(tmp_path: Path, site_path: Path) -> None:
    """One error names file and line; nothing of a comparison is printed."""
    path = tmp_path / "x.capture"
    record(path, site_path)
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join([*lines[:7], lines[7].replace(b"G", b"H", 1), *lines[8:]]))
    result = run("replay", path, site_path)
    assert (1, "") == (result.exit_code, result.stdout)
    assert f"{path}, line 8: its checksum does not fit; copy the file again" in result.stderr


@pytest.mark.parametrize("content", [b"", b"hello\n", b"\x1f\x8b", b'["0123456789abcdef","x",1]\n'])
@pytest.mark.parametrize("name", ["x.capture", "x.gz"])
def test_no_capture_at_all(tmp_path: Path, site_path: Path, name: str, content: bytes) -> None:
    """Any other file is refused in its first line."""
    (tmp_path / name).write_bytes(content)
    result = run("replay", tmp_path / name, site_path)
    assert 1 == result.exit_code
    assert f"{tmp_path / name}, line 1: " in result.stderr


def test_a_missing_file(tmp_path: Path, site_path: Path) -> None:
    """A file that is not there is named."""
    result = run("replay", tmp_path / "none", site_path)
    assert 1 == result.exit_code
    assert f"{tmp_path / 'none'}: no such file" in result.stderr
