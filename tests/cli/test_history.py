"""`rotor-gateway history`, on an archive of two steps."""

import csv
import io
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from gateway.archive.store import Store
from gateway.cli import main
from gateway.service.field_side import ARCHIVE
from gateway.tags import GOOD, UNCERTAIN_LAST_USABLE_VALUE, Frame, Instant, Sample

SITE = Path(__file__).parents[2] / "config" / "demo.yaml"
TAG = "U1.FAULT_RESISTANCE"
NOON_NS = 1_767_268_800 * 10**9  # 2026-01-01T12:00:00Z


async def archive(state: Path) -> None:
    store = await Store.open(state / ARCHIVE, max_size_bytes=2**20)
    for i, status in enumerate((GOOD, UNCERTAIN_LAST_USABLE_VALUE)):
        sample = Sample(TAG, 4876.4, status, NOON_NS, 28.0)
        at = Instant(NOON_NS + 7 * i * 10**9, i)
        await store.write([(Frame("U1", i, at, (), (), (sample,), (), ()), {})])
    await store.close()


def history(state: Path, *options: str) -> Result:
    arguments = ["history", str(SITE), TAG, "--state", str(state), *options]
    return CliRunner().invoke(main, arguments)


async def test_row_tells_value_uncertainty_quality_and_both_times(tmp_path: Path) -> None:
    """Since when it stood, the value with its uncertainty and unit, the status, the measurement."""
    await archive(tmp_path)
    result = history(tmp_path, "--since", "2026-01-01T00:00:00Z")
    assert [
        "2026-01-01T12:00:00.000Z 4876 ± 28 kohm Good 2026-01-01T12:00:00.000Z",
        "2026-01-01T12:00:07.000Z 4876 ± 28 kohm UncertainLastUsableValue 2026-01-01T12:00:00.000Z",
    ] == [" ".join(line.split()) for line in result.output.splitlines()[1:]]
    assert 0 == result.exit_code


async def test_json_is_one_document_and_csv_has_the_same_columns(tmp_path: Path) -> None:
    """JSON is an array of objects, as of every other command; CSV says the same."""
    await archive(tmp_path)
    since = ("--since", "2026-01-01T00:00:00Z")
    rows = json.loads(history(tmp_path, *since, "--json").output)
    assert ["2026-01-01T12:00:00.000Z", "2026-01-01T12:00:07.000Z"] == [r["time"] for r in rows]
    table = csv.DictReader(io.StringIO(history(tmp_path, *since, "--csv").output))
    assert [{name: str(value) for name, value in row.items()} for row in rows] == list(table)


@pytest.mark.parametrize(("option", "output"), [("--json", "[]\n"), ("--csv", "time,value,unit")])
async def test_nothing_archived_is_said_on_stderr(tmp_path: Path, option: str, output: str) -> None:
    """An empty window is a valid empty document, and a sentence about it for people."""
    await archive(tmp_path)
    window = ("--since", "2020-01-01T00:00:00Z", "--until", "2020-01-02T00:00:00Z")
    result = history(tmp_path, *window, option)
    assert result.stdout.startswith(output)
    assert (
        f"{TAG}: nothing archived from 2020-01-01T00:00:00.000Z until 2020-01-02T00:00:00.000Z\n"
    ) == result.stderr


def test_window_that_ends_before_it_begins_is_wrong_input(tmp_path: Path) -> None:
    """A --since after --until is told as such, whether or not there is an archive."""
    result = history(tmp_path, "--since", "1 h", "--until", "2 h")
    assert (2, "--since '1 h' is not before --until '2 h'; exchange them\n") == (
        result.exit_code,
        result.output,
    )
