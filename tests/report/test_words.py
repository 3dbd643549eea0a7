"""Times, ages, values and journal entries in words."""

from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from gateway.alarms.journal import JournalEntry
from gateway.report import words
from gateway.site.units import UNITS
from gateway.tags import BAD_TIMEOUT, GOOD, AlarmState, Limit, Sample, Transition

NOON_NS = 1_767_960_000 * 10**9  # 2026-01-09T12:00:00Z


def test_a_moment_is_told_in_utc_and_in_local_time_where_it_differs() -> None:
    """Oslo is an hour ahead of UTC in winter; a local day that differs is named."""
    oslo, tokyo = ZoneInfo("Europe/Oslo"), ZoneInfo("Asia/Tokyo")
    assert "2026-01-09 12:00:00.000 UTC" == words.moment(NOON_NS, UTC)
    assert "2026-01-09 12:00:00.250 UTC (13:00:00 CET)" == words.moment(NOON_NS + 250_000_000, oslo)
    late_ns = NOON_NS + 5 * 3600 * 10**9
    assert "2026-01-09 17:00:00.000 UTC (2026-01-10 02:00:00 JST)" == words.moment(late_ns, tokyo)
    assert "-" == words.moment(0, oslo)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "less than 1 s"),
        (59, "59 s"),
        (3661, "1 h 1 min"),
        (90_000, "1 d 1 h"),
        (-5, "less than 1 s"),
    ],
)
def test_an_age_has_two_units(seconds: int, text: str) -> None:
    """An age is told by its two largest units."""
    assert text == words.age(NOON_NS, NOON_NS + seconds * 10**9)


@pytest.mark.parametrize(
    ("sample", "text"),
    [
        # JCGM 100:2008, 7.2.2: 100.021 47 g with a combined standard uncertainty of 0.35 mg
        (Sample("t", 100.02147, GOOD, 1, 0.00035), "(100.02147 ± 0.00070) kΩ"),
        (Sample("t", 9999.0, GOOD.with_limit(Limit.HIGH), 1), "at least 9999 kΩ"),
        (Sample("t", None, BAD_TIMEOUT, 1), "-"),
        (Sample("t", True, GOOD, 1), "true"),
    ],
)
def test_a_value_has_its_unit_and_a_bad_one_is_none(sample: Sample, text: str) -> None:
    """A value is told with its expanded uncertainty (k = 2) and its unit; a bad one as a dash."""
    assert text == words.value(sample, UNITS["kohm"])


def entry(transition: Transition) -> JournalEntry:
    return JournalEntry(7, NOON_NS, "G1", 3, "ab", transition)


S = AlarmState


@pytest.mark.parametrize(
    ("transition", "text", "activation"),
    [
        (
            Transition("A", "occur", S.NORMAL, S.UNACKNOWLEDGED),
            "A came: normal to unacknowledged",
            True,
        ),
        (
            Transition("A", "occur", S.SHELVED, S.SHELVED),
            "A: occur while shelved",
            False,
        ),
        (
            Transition("A", "acknowledge", S.NORMAL, S.NORMAL, "Ida", "", "nothing to do"),
            "A: acknowledge by Ida refused: nothing to do",
            False,
        ),
        (
            Transition("A", "shelve", S.NORMAL, S.SHELVED, "Ida", "wash", "", NOON_NS),
            "A: shelve by Ida, normal to shelved, because: wash, until 2026-01-09 12:00:00.000 UTC",
            False,
        ),
    ],
)
def test_entries_in_plain_words(transition: Transition, text: str, activation: bool) -> None:
    """Who did what, why and until when; and whether it called the operator."""
    assert (text, activation) == (
        words.happened(entry(transition), UTC),
        entry(transition).is_activation,
    )
