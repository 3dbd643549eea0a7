"""`rotor-gateway alarms SITE journal|statistics`: what an archive tells without a gateway."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from gateway.archive.store import Store
from gateway.cli import main
from gateway.service.field_side import ARCHIVE
from gateway.tags import (
    AlarmState,
    Conclusion,
    Evidence,
    Frame,
    Instant,
    Transition,
)
from tests.cli.shown_frames import NOON_NS, SITE, S

STAGE_1 = "U1.EARTH_FAULT_STAGE_1"
LIGHT = "U2.LIGHT_LOW"
HOUR_NS = 3600 * S
NOON, LATE = "2026-01-01T12:00:00Z", "2026-01-02T12:00:00Z"
ALL = ("--since", "2026-01-01T00:00:00Z", "--until", LATE)

CAME = Transition(STAGE_1, "occur", AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED)
SEEN = Transition(
    STAGE_1, "acknowledge", AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, "ada", "on my way"
)
REFUSED = Transition(
    STAGE_1, "reset", AlarmState.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED, "ada", "", "still present"
)
SHELVED = Transition(
    LIGHT,
    "shelve",
    AlarmState.NORMAL,
    AlarmState.SHELVED,
    "ben",
    "cleaning",
    until_ns=NOON_NS + 30 * HOUR_NS,
)
EVIDENCE = Evidence(STAGE_1, Conclusion.SINGLE_PATH, (), (), (), ())


def step(
    machine: str, sequence: int, utc_ns: int, *happened: Transition, told: tuple[Evidence, ...] = ()
) -> Frame:
    at = Instant(utc_ns, utc_ns)
    return Frame(machine, sequence, at, (), (), (), (), happened, evidence=told)


FRAMES = (
    step("U1", 1, NOON_NS),
    step("U1", 2, NOON_NS + HOUR_NS, CAME, told=(EVIDENCE,)),
    step("U1", 3, NOON_NS + HOUR_NS + 5 * S, SEEN, REFUSED),
    step("U2", 1, NOON_NS + 2 * HOUR_NS, SHELVED),
)


@pytest.fixture
async def state(tmp_path: Path) -> Path:
    store = await Store.open(tmp_path / ARCHIVE, max_size_bytes=2**24)
    for frame in FRAMES:
        await store.write([(frame, {})])
    await store.close()
    return tmp_path


def asked(state: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["alarms", str(SITE), *words, "--state", str(state)])


def test_journal_tells_what_when_who_and_why(state: Path) -> None:
    """A line an entry, oldest first: orders with who and why, refusals with their reason."""
    result = asked(state, "journal", *ALL)
    assert [
        f"     1  2026-01-01T13:00:00.000Z  {STAGE_1} came: normal to unacknowledged [single path]",
        f"     2  2026-01-01T13:00:05.000Z  {STAGE_1}: acknowledge by ada, unacknowledged to "
        "acknowledged, because: on my way",
        f"     3  2026-01-01T13:00:05.000Z  {STAGE_1}: reset by ada refused: still present",
        f"     4  2026-01-01T14:00:00.000Z  {LIGHT}: shelve by ben, normal to shelved, because: "
        "cleaning, until 2026-01-02 18:00:00.000 UTC",
    ] == result.output.splitlines()
    assert 0 == result.exit_code


def test_journal_of_one_alarm_and_time_as_json(state: Path) -> None:
    """Alarm and times narrow it; JSON is one document with the same words."""
    found = json.loads(asked(state, "journal", "--alarm", LIGHT, *ALL, "--json").output)
    assert [(4, "U2", "shelve", "ben", "2026-01-02T18:00:00.000Z")] == [
        (e["number"], e["machine"], e["what"], e["who"], e["until"]) for e in found
    ]
    early = asked(state, "journal", "--since", NOON, "--until", "2026-01-01T13:00:05Z", "--json")
    assert [(1, "single path")] == [
        (e["number"], e["conclusion"]) for e in json.loads(early.output)
    ]


@pytest.mark.parametrize(("options", "out"), [((), ""), (("--json",), "[]\n")])
def test_nothing_journaled_is_said_on_stderr(
    state: Path, options: tuple[str, ...], out: str
) -> None:
    """An empty time is no trouble, and JSON stays a document."""
    result = asked(state, "journal", "--since", LATE, "--until", "2026-01-03T12:00:00Z", *options)
    assert result.stderr.startswith("no journal entry from 2026-01-02T12:00:00.000Z until ")
    assert (out, 0) == (result.stdout, result.exit_code)


def test_whole_journal_is_verified_and_its_head_can_be_kept(state: Path) -> None:
    """The head that a check tells is accepted by the next one."""
    first = asked(state, "journal", "--verify")
    assert 0 == first.exit_code
    assert "4 entries hold, each with the step that it came with" in first.output
    head = first.output.split("head ")[1].split()[0]
    assert head.startswith("4:")
    again = asked(state, "journal", "--head", head, "--json")
    assert (0, True, head) == (
        again.exit_code,
        json.loads(again.output)["holds"],
        json.loads(again.output)["head"],
    )


def changed(state: Path, sql: str) -> None:
    with closing(sqlite3.connect(state / ARCHIVE)) as archive, archive:
        archive.execute(sql)


def test_changed_entry_is_named(state: Path) -> None:
    """Who rewrites an entry is found out: the number, exit code 1; the entries before it hold."""
    changed(
        state,
        "update journal set entry = cast(replace(cast(entry as text), 'ada', 'eve') as blob) "
        "where number = 2",
    )
    result = asked(state, "journal", "--verify")
    assert "the journal is not to be trusted from entry 2 on: its hash" in result.stderr
    assert "1 entries hold" in result.stdout
    assert 1 == result.exit_code
    assert 2 == json.loads(asked(state, "journal", "--verify", "--json").stdout)["broken"]["entry"]


def test_cut_end_is_told_only_by_a_head_from_before(state: Path) -> None:
    """Without a head a cut journal holds; with the one kept elsewhere the cut shows."""
    head = asked(state, "journal", "--verify").output.split("head ")[1].split()[0]
    changed(state, "delete from journal where number = 4")
    changed(state, "delete from journal_frame where id not in (select frame from journal)")
    assert 0 == asked(state, "journal", "--verify").exit_code
    cut = asked(state, "journal", "--verify", "--head", head)
    assert "entry 4 was in the journal, which now ends at 3" in cut.stderr
    assert 1 == cut.exit_code


def test_statistics_count_from_where_the_archive_begins(state: Path) -> None:
    """One annunciation in the 24 h since the first step is 1 a day, whatever was asked for."""
    result = asked(state, "statistics", "--since", "2025-06-01T00:00:00Z", "--until", LATE)
    assert result.output.startswith(
        "1 annunciation from 2026-01-01T12:00:00.000Z (the archive was begun then) until "
        "2026-01-02T12:00:00.000Z\nless than 30 days"
    )
    rows = [line.split("  ") for line in result.output.splitlines()]
    (daily,) = ([c.strip() for c in r if c] for r in rows if r[0] == "annunciations per day")
    assert ["1 1/day", "at most 150, manageable up to 300", "acceptable"] == daily[1:4]
    assert f"most frequent: {STAGE_1} 1 (100%)" in result.output


def test_a_benchmark_that_is_not_reached_is_not_called_over(state: Path) -> None:
    """'At least 80 %' of low priority, of which there is none, is not met."""
    shown = asked(state, "statistics", *ALL).output.splitlines()
    (low,) = (line.split() for line in shown if line.startswith("priority low"))
    assert ["0", "%", "at", "least", "80%", "not", "met"] == low[2:9]


def test_statistics_tell_what_is_shelved(state: Path) -> None:
    """A shelving has its end, who gave it and why."""
    result = asked(state, "statistics", *ALL)
    assert f"shelved: {LIGHT} until 2026-01-02T18:00:00.000Z by ben: cleaning" in result.output


def test_statistics_by_day_and_by_hour(state: Path) -> None:
    """Periods are told on demand, in the text and in JSON."""
    by_day = asked(state, "statistics", *ALL, "--by", "day").output.splitlines()
    assert ["2026-01-01T12:00:00.000Z", "2026-01-02T12:00:00.000Z", "1", "1", "0.0%", "0"] == (
        by_day[-1].split()
    )
    by_hour = asked(state, "statistics", *ALL, "--by", "hour").output.splitlines()
    assert ["2026-01-01T13:00:00.000Z", "1"] == by_hour[-1].split()
    found = json.loads(asked(state, "statistics", *ALL, "--by", "hour", "--json").output)
    assert [{"begin": "2026-01-01T13:00:00.000Z", "annunciations": 1}] == found["hours"]
    assert "2026-01-01T12:00:00.000Z" == found["since"]
    assert "2026-01-02T18:00:00.000Z" == found["shelved"][0]["until"]


def test_archive_of_later_has_no_statistics(state: Path) -> None:
    """A time before the archive is refused instead of being told as quiet."""
    result = asked(state, "statistics", "--since", "2025-01-01T00:00:00Z", "--until", NOON)
    assert "has nothing before 2026-01-01T12:00:00.000Z" in result.stderr
    assert 1 == result.exit_code


@pytest.mark.parametrize("action", ["journal", "statistics"])
def test_no_archive_is_one_text(tmp_path: Path, action: str) -> None:
    """Without an archive the text names where it was looked for."""
    result = asked(tmp_path, action)
    assert result.stderr.startswith(f"there is no archive at {tmp_path / ARCHIVE}.")
    assert 1 == result.exit_code
