"""`rotor-gateway record`: from the archive into a capture that replays to the same journal."""

from pathlib import Path

import pytest
from click.testing import Result

from gateway.cli import asked as module
from gateway.replay.capture import Step, opened
from gateway.tags import Instant
from tests.cli.invoked import run
from tests.replay.plant import LOW, Second, archived, fault_day, site_text, write_site
from tests.rotor.plant import NOON_NS, SECOND

# Longer than from one saved state of the chain to the next, for both machines.
LONG = fault_day(700, 30, 30)
LONG_S = 0.5 * len(LONG)


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("record")
    site_path = write_site(folder)
    return site_path, archived(folder / "state", site_path, LONG)


@pytest.fixture(autouse=True)
def _now(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "now", lambda: Instant(NOON_NS + round(LONG_S + 1) * SECOND, 0))


def recorded(plant: tuple[Path, Path], out: Path, *options: str) -> Result:
    site_path, state = plant
    return run("record", site_path, "-o", out, "--state", state, *options)


def test_a_whole_archive_replays_identically(plant: tuple[Path, Path], tmp_path: Path) -> None:
    """Recorded from before the archive began, all steps are there and the journal is the same."""
    out, copy = tmp_path / "day.capture.gz", tmp_path / "journal"
    result = recorded(plant, out, "--since", "1 h")
    assert 0 == result.exit_code, result.output
    assert f"{out}: {len(LONG)} steps, 2 journal entries" in result.output
    replay = run("replay", out, plant[0], "--journal", copy)
    assert 0 == replay.exit_code, replay.output
    assert "identical: 2 entries" in replay.output
    assert [b"occur", b"clear"] == [line.split(b'"')[7] for line in copy.read_bytes().splitlines()]


def test_a_later_window_begins_with_the_saved_state(
    plant: tuple[Path, Path], tmp_path: Path
) -> None:
    """The run-up is not the whole archive, and what came before it does not change the journal."""
    out = tmp_path / "late.capture"
    result = recorded(plant, out, "--since", "25 s")
    assert 0 == result.exit_code, result.output
    with opened(out) as capture:
        lines = [line for line in capture.lines() if isinstance(line, Step)]
    assert 0 < sum(line.run_up for line in lines) < len(LONG) // 2
    assert {"G1", "G2"} == {line.machine for line in lines if line.run_up}
    assert "identical: 1 entries" in run("replay", out, plant[0]).output


def test_what_if(plant: tuple[Path, Path], tmp_path: Path) -> None:
    """With another limit the table says that the alarm vanishes."""
    out = tmp_path / "day.capture"
    recorded(plant, out, "--since", "1 h")
    other = write_site(tmp_path / "other", text=site_text("8 kohm"))
    result = run("replay", out, other)
    assert 0 == result.exit_code
    (row,) = (line.split() for line in result.output.splitlines() if line.startswith(LOW))
    assert (LOW, "1", "0", "-", "vanishes") == (row[0], row[1], row[5], row[6], row[-1])
    assert '"difference": "vanishes"' in run("replay", out, other, "--json").output


def test_a_window_without_steps_is_refused(plant: tuple[Path, Path], tmp_path: Path) -> None:
    """There is nothing to replay before the archive began; no file is left."""
    out = tmp_path / "none.capture"
    result = recorded(plant, out, "--since", "9 h", "--until", "8 h")
    assert 1 == result.exit_code
    assert "nothing from" in result.output
    assert not out.exists()


@pytest.mark.parametrize(
    ("options", "text"),
    [
        (("--since", "yesterday"), "is not a time"),
        (("--since", "1 min", "--until", "2 min"), "is not before"),
    ],
)
def test_wrong_times_are_told(
    plant: tuple[Path, Path], tmp_path: Path, options: tuple[str, ...], text: str
) -> None:
    """What is no time, or an empty window, is refused with exit code 2."""
    result = recorded(plant, tmp_path / "x", *options)
    assert (2, True) == (result.exit_code, text in result.output)


def test_no_archive(tmp_path: Path) -> None:
    """Without an archive the error says where it was looked for."""
    site_path = write_site(tmp_path)
    result = run("record", site_path, "-o", tmp_path / "x", "--state", tmp_path / "none")
    assert 1 == result.exit_code
    assert f"no archive at {tmp_path / 'none'}" in result.output


def test_a_step_that_the_archive_lacks_is_told(tmp_path: Path) -> None:
    """A clock that was set back makes steps fall out of the window; recording refuses the gap."""
    site_path = write_site(tmp_path)
    day = [Second("G1", 1e6) for _ in range(20)]
    day[12] = Second("G1", 1e6, wait_s=-3600.0)
    state = archived(tmp_path / "state", site_path, [*day, Second("G1", 1e6, wait_s=4000.0)])
    result = recorded((site_path, state), tmp_path / "x", "--since", "30 min")
    assert 1 == result.exit_code
    assert "does not have the steps 13 to 20" in result.output
    assert not (tmp_path / "x").exists()
