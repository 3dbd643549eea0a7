"""`rotor-gateway dossier`: from an archive to one page and a PDF."""

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from gateway.cli import dossier as module
from gateway.cli import main
from gateway.tags import Instant
from tests.replay.plant import BLIND, LOW, VERY_LOW, archived, fault_day, write_site
from tests.rotor.plant import NOON_NS, SECOND

DAY = [*fault_day(30, 20, 30), *fault_day(0, 20, 10)]
MADE_NS = NOON_NS + round(0.5 * len(DAY) + 5) * SECOND


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("dossier")
    site_path = write_site(folder)
    return site_path, archived(folder / "state", site_path, DAY)


@pytest.fixture(autouse=True)
def _now(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "now", lambda: Instant(MADE_NS, 0))


def made(plant: tuple[Path, Path], *arguments: object) -> Result:
    site_path, state = plant
    words = ["dossier", site_path, *arguments, "--state", state]
    result = CliRunner().invoke(main, [str(w) for w in words])
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return result


def test_the_newest_activation_is_told(plant: tuple[Path, Path], tmp_path: Path) -> None:
    """Of two activations the second one; page and PDF are named; the page has plots and winding."""
    page, pdf = tmp_path / "a.html", tmp_path / "a.pdf"
    result = made(plant, LOW, "-o", page, "--pdf", pdf)
    assert (0, f"{page}\n{pdf}\n") == (result.exit_code, result.output)
    html = page.read_text(encoding="utf-8")
    assert "journal entry 3, 2026-01-09 12:01:2" in html
    # Two tags, once each where far and near are the same in a short archive, and the winding.
    assert 3 == html.count("<svg ")
    assert "when the alarm came: (30." in html or "when the alarm came: (29." in html
    assert "3 entries, every one of them and its step checked by its hash" in html
    assert pdf.read_bytes().startswith(b"%PDF-")


def test_an_entry_can_be_named(plant: tuple[Path, Path], tmp_path: Path) -> None:
    """The first activation by its number; another alarm's entry, or none, is refused."""
    page = tmp_path / "a.html"
    assert 0 == made(plant, LOW, "-o", page, "--entry", 1).exit_code
    html = page.read_text(encoding="utf-8")
    assert "journal entry 1, 2026-01-09 12:00:3" in html
    assert "2 further entries below" in html
    wrong = made(plant, VERY_LOW, "-o", page, "--entry", 1)
    assert (2, f"journal entry 1 is one of {LOW}, not {VERY_LOW}\n") == (
        wrong.exit_code,
        wrong.output,
    )
    none = made(plant, LOW, "-o", page, "--entry", 99)
    assert (1, True) == (none.exit_code, "has no journal entry 99" in none.output)


def test_near_is_not_drawn_beside_nearer(plant: tuple[Path, Path], tmp_path: Path) -> None:
    """Who asks for seconds gets each tag once, over these seconds; beside them the winding."""
    page = tmp_path / "a.html"
    assert 0 == made(plant, LOW, "-o", page, "--before", "5 s", "--after", "10 s").exit_code
    html = page.read_text(encoding="utf-8")
    assert 3 == html.count("<svg ")
    assert "from 5 s before to 10 s after" in html


@pytest.mark.parametrize(
    ("option", "other", "name"), [("-o", "--pdf", "a.pdf"), ("--pdf", "-o", "a.html")]
)
def test_a_page_is_not_written_under_the_name_of_a_pdf(
    plant: tuple[Path, Path], tmp_path: Path, option: str, other: str, name: str
) -> None:
    """Files whose names say another form than the option writes are refused, and not written."""
    out = tmp_path / name
    result = made(plant, LOW, option, out)
    assert (2, True) == (result.exit_code, f"is written by {other}" in result.output)
    assert not out.exists()


def test_an_alarm_that_never_came_has_no_dossier(plant: tuple[Path, Path], tmp_path: Path) -> None:
    """It is said so, and nothing is written."""
    page = tmp_path / "a.html"
    result = made(plant, BLIND, "-o", page)
    assert (1, True) == (result.exit_code, f"{BLIND} has not come since" in result.output)
    assert not page.exists()


def test_an_unknown_alarm_is_told(plant: tuple[Path, Path]) -> None:
    """A misspelt alarm gets a hint."""
    result = made(plant, "G1.LOV")
    assert 2 == result.exit_code
    assert "there is no alarm 'G1.LOV'" in result.output
    assert LOW in result.output


def test_the_default_name_says_alarm_and_entry(
    plant: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without -o the page goes into this directory, under a name that does not collide."""
    monkeypatch.chdir(tmp_path)
    result = made(plant, LOW)
    assert (0, "dossier-G1-LOW-3.html\n") == (result.exit_code, result.output)
    assert (tmp_path / "dossier-G1-LOW-3.html").exists()


def test_a_changed_journal_is_not_passed_on_in_silence(
    plant: tuple[Path, Path], tmp_path: Path
) -> None:
    """A journal that does not verify makes the dossier say from which entry on."""
    import shutil
    import sqlite3

    state = tmp_path / "state"
    shutil.copytree(plant[1], state)
    (archive,) = (p for p in state.iterdir() if not p.name.endswith(("-wal", "-shm")))
    with sqlite3.connect(archive) as connection:
        connection.execute("update journal set hash = zeroblob(32) where number = 2")
    page = tmp_path / "a.html"
    assert 0 == made((plant[0], state), LOW, "-o", page).exit_code
    assert "NOT TO BE TRUSTED from entry 2 on" in page.read_text(encoding="utf-8")
