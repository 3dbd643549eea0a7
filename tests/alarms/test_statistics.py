"""Performance figures of an alarm system, from journal entries."""

from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.alarms.journal import JournalEntry
from gateway.alarms.statistics import Figure, Statistics, statistics
from gateway.tags import AlarmState, Transition

S = AlarmState
SECOND, MINUTE, HOUR, DAY = 10**9, 60 * 10**9, 3600 * 10**9, 86_400 * 10**9
SINCE = 1_767_916_800 * SECOND  # 2026-01-09T00:00:00Z
Row = tuple[int, str, str, AlarmState, AlarmState]


def journal(rows: Iterable[Row]) -> list[JournalEntry]:
    """Entries at so many nanoseconds after SINCE."""
    return [
        JournalEntry(k + 1, SINCE + at, "G1", k, "", Transition(alarm, cue, before, after))
        for k, (at, alarm, cue, before, after) in enumerate(rows)
    ]


def came(at: int, alarm: str = "G1.LOW") -> Row:
    return at, alarm, "occur", S.RETURNED_UNACKNOWLEDGED, S.UNACKNOWLEDGED


def gone(at: int, alarm: str = "G1.LOW") -> Row:
    return at, alarm, "clear", S.UNACKNOWLEDGED, S.RETURNED_UNACKNOWLEDGED


def over(rows: Iterable[Row], span: int, positions: int = 1, **priorities: str) -> Statistics:
    named = {name.replace("_", "."): p for name, p in priorities.items()}
    return statistics(journal(rows), SINCE, SINCE + span, named, positions)


def figure(found: Statistics, name: str) -> Figure:
    return next(f for f in found.figures if f.name == name)


@pytest.mark.parametrize(
    ("count", "days", "positions", "per_day", "per_hour", "per_10_min"),
    # Worked by hand from the published benchmarks: 1008 in 7 days, 4320 in 30 days on two places.
    [(1008, 7, 1, 144.0, 6.0, 1.0), (4320, 30, 2, 72.0, 3.0, 0.5)],
)
def test_average_rates(
    count: int, days: int, positions: int, per_day: float, per_hour: float, per_10_min: float
) -> None:
    """Averages are per operator position, with all empty times counted."""
    rows = [came(k * days * DAY // count) for k in range(count)]
    found = over(rows, days * DAY, positions)
    told = [figure(found, f"annunciations per {t}") for t in ("day", "hour", "10 min")]
    assert [per_day, per_hour, per_10_min] == pytest.approx([f.value for f in told])
    assert ["acceptable"] * 3 == [f.verdict for f in told]
    assert (count, days >= 30) == (found.annunciations, found.enough)


@pytest.mark.parametrize(
    ("per_day", "verdict"),
    [(150, "acceptable"), (151, "manageable"), (300, "manageable"), (301, "over")],
)
def test_the_benchmark_of_a_day(per_day: int, verdict: str) -> None:
    """About 150 a day are acceptable and about 300 the most that can be managed."""
    found = over([came(k * DAY // per_day) for k in range(per_day)], DAY)
    assert verdict == figure(found, "annunciations per day").verdict


@pytest.mark.parametrize(
    ("crowded", "share", "verdict"), [(44, 1.019, "over"), (43, 0.995, "acceptable")]
)
def test_crowded_ten_minutes(crowded: int, share: float, verdict: str) -> None:
    """30 days have 4320 ten-minute periods: 44 crowded ones are too many, 43 are not."""
    # Worked by hand: 44/4320 = 1.019 %, 43/4320 = 0.995 %.
    rows = [came(k * 2 * HOUR + s * SECOND) for k in range(crowded) for s in range(11)]
    found = figure(over(rows, 30 * DAY), "10-min periods with more than 10")
    assert share == pytest.approx(found.value * 100, abs=5e-4)
    assert verdict == found.verdict


def test_ten_in_ten_minutes_are_no_crowd() -> None:
    """More than ten means eleven."""
    found = over([came(s * SECOND) for s in range(10)], DAY)
    assert 0.0 == figure(found, "10-min periods with more than 10").value
    peak = figure(found, "most in any 10 min")
    assert (10.0, "acceptable", ()) == (peak.value, peak.verdict, found.floods)


def test_the_most_in_any_ten_minutes_is_not_bound_to_periods() -> None:
    """Six at the end of one period and six at the beginning of the next are twelve."""
    rows = [came(9 * MINUTE + k * 20 * SECOND) for k in range(12)]
    found = over(rows, DAY)
    peak = figure(found, "most in any 10 min")
    assert (12.0, "over") == (peak.value, peak.verdict)


def test_a_flood_begins_above_ten_and_ends_below_five() -> None:
    """The flood is told from its first alarm until fewer than five are left in ten minutes."""
    # By hand: 11 alarms at 0, 30, ..., 300 s make a flood; two more come at 400 s and 700 s. At
    # 840 s that of 240 s is ten minutes old, and four are left: 270, 300, 400, 700.
    at_s = [*range(0, 301, 30), 400, 700, 5000]
    found = over([came(t * SECOND) for t in at_s], DAY)
    (flood,) = found.floods
    assert (0, 840, 13) == (
        (flood.begin_ns - SINCE) // SECOND,
        (flood.end_ns - SINCE) // SECOND,
        flood.count,
    )
    share = figure(found, "time in flood")
    assert 840 / 86_400 == pytest.approx(share.value)
    assert "acceptable" == share.verdict


def test_ten_minutes_are_half_open() -> None:
    """An alarm that is ten minutes old to the second does not count beside a new one."""
    at_s = [*range(10), 600]
    found = over([came(t * SECOND) for t in at_s], DAY)
    assert ((), 10.0) == (found.floods, figure(found, "most in any 10 min").value)


def test_no_alarm_counts_in_two_floods() -> None:
    """A flood that follows another begins with what came after that one was over."""
    # By hand: at 610 s four are left, of 500 s; at 620 s they make eleven with seven new ones.
    at_s = [*range(11), *[500] * 4, *[620] * 7]
    found = over([came(t * SECOND) for t in at_s], DAY)
    assert [(0, 610, 15), (620, 1220, 7)] == [
        ((f.begin_ns - SINCE) // SECOND, (f.end_ns - SINCE) // SECOND, f.count)
        for f in found.floods
    ]


def test_a_flood_that_lasts_is_told_up_to_the_end() -> None:
    """A flood that is not over ends with the time looked at."""
    found = over([came(t * SECOND) for t in range(20)], MINUTE)
    assert [(SINCE, SINCE + MINUTE, 20)] == [(f.begin_ns, f.end_ns, f.count) for f in found.floods]
    assert 1.0 == figure(found, "time in flood").value


@given(st.lists(st.integers(0, 5000), max_size=80).map(sorted))
def test_floods_against_each_instant(at_s: list[int]) -> None:
    """Second by second, floods are where a count of the last ten minutes puts them."""
    end_s = 6000
    found = over([came(t * SECOND) for t in at_s], end_s * SECOND)
    flooding, told = False, []
    for t in range(end_s + 1):
        last = sum(t - 600 < a <= t for a in at_s)
        before, flooding = flooding, last > 10 or (flooding and last >= 5)
        if before != flooding:
            told.append(t)
    ends = told[1::2] or ([end_s] if flooding else [])
    if flooding and ends[-1] != end_s:
        ends.append(end_s)
    assert ends == [(f.end_ns - SINCE) // SECOND for f in found.floods]
    for flood, begin_s in zip(found.floods, told[::2], strict=True):
        assert begin_s - 600 < (flood.begin_ns - SINCE) // SECOND <= begin_s
        inside = [a for a in at_s if flood.begin_ns <= SINCE + a * SECOND < flood.end_ns]
        assert len(inside) == flood.count or flood.end_ns == SINCE + end_s * SECOND
    assert max((sum(t <= a < t + 600 for a in at_s) for t in at_s), default=0) == (
        figure(found, "most in any 10 min").value
    )


def test_only_what_calls_the_operator_is_an_annunciation() -> None:
    """Coming, sounding again, coming back from a hold count; what happens while held does not."""
    rows: list[Row] = [
        (1, "A", "occur", S.NORMAL, S.UNACKNOWLEDGED),
        (2, "A", "acknowledge", S.UNACKNOWLEDGED, S.ACKNOWLEDGED),
        (3, "A", "realarm", S.ACKNOWLEDGED, S.UNACKNOWLEDGED),
        (4, "A", "reset", S.UNACKNOWLEDGED, S.UNACKNOWLEDGED),
        (5, "A", "shelve", S.UNACKNOWLEDGED, S.SHELVED),
        (6, "A", "clear", S.SHELVED, S.SHELVED),
        (7, "A", "occur", S.SHELVED, S.SHELVED),
        (8, "A", "unshelve", S.SHELVED, S.UNACKNOWLEDGED),
        (9, "B", "occur", S.SUPPRESSED, S.SUPPRESSED),
        (10, "C", "occur", S.LATCHED_ACKNOWLEDGED, S.ACKNOWLEDGED),
    ]
    assert [("A", 3)] == [(c.alarm, c.count) for c in over(rows, DAY).contributors]


def test_the_window_is_half_open() -> None:
    """What came before it and what comes at its end is not counted."""
    entries = journal([came(-1), came(0), came(DAY - 1), came(DAY)])
    assert 2 == statistics(entries, SINCE, SINCE + DAY, {}).annunciations


def test_the_ten_most_frequent() -> None:
    """Contributors are told with their share, most first, ten at most."""
    rows = [came(k * MINUTE, f"A{n:02}") for n in range(12) for k in range(n + 1)]
    found = over(sorted(rows), DAY)
    # By hand: 12 + 11 + ... + 3 of 78.
    assert [("A11", 12), ("A10", 11)] == [(c.alarm, c.count) for c in found.contributors[:2]]
    top = figure(found, "share of the ten most frequent")
    assert (10, 75 / 78, "over") == (len(found.contributors), top.value, top.verdict)


@pytest.mark.parametrize(("last_s", "chatters"), [(60, 3), (61, 0)])
def test_chattering(last_s: int, chatters: int) -> None:
    """Three activations of one alarm in 60 s chatter; of two alarms together they do not."""
    rows = [came(0), came(30 * SECOND), came(31 * SECOND, "B"), came(last_s * SECOND)]
    rows += [came(HOUR), came(HOUR + SECOND, "B")]
    found = over(rows, DAY)
    assert chatters == sum(c.count for c in found.chattering)
    assert (chatters > 0) == (figure(found, "chattering alarms").verdict == "over")


def test_fleeting() -> None:
    """What is gone within 60 s before anybody acknowledged it is fleeting, unless it chatters."""
    rows = [came(0), gone(59 * SECOND), came(HOUR, "B"), gone(HOUR + 61 * SECOND, "B")]
    rows.append((2 * HOUR, "C", "occur", S.NORMAL, S.UNACKNOWLEDGED))
    rows.append((2 * HOUR + 1, "C", "acknowledge", S.UNACKNOWLEDGED, S.ACKNOWLEDGED))
    rows.append((2 * HOUR + 2, "C", "clear", S.ACKNOWLEDGED, S.NORMAL))
    for k in range(3):
        rows += [came(3 * HOUR + 2 * k * SECOND, "D"), gone(3 * HOUR + (2 * k + 1) * SECOND, "D")]
    found = over(rows, DAY)
    assert [("G1.LOW", 1)] == [(c.alarm, c.count) for c in found.fleeting]
    assert [("D", 3)] == [(c.alarm, c.count) for c in found.chattering]


def test_standing() -> None:
    """What is active for more than 24 h stands, on each day after the first; held, it does not."""
    rows: list[Row] = [
        (0, "A", "occur", S.NORMAL, S.UNACKNOWLEDGED),
        (0, "B", "occur", S.NORMAL, S.UNACKNOWLEDGED),
        (HOUR, "A", "acknowledge", S.UNACKNOWLEDGED, S.ACKNOWLEDGED),
        (HOUR, "B", "shelve", S.UNACKNOWLEDGED, S.SHELVED),
        (2 * DAY + HOUR, "A", "clear", S.ACKNOWLEDGED, S.LATCHED_ACKNOWLEDGED),
        (3 * DAY, "A", "reset", S.LATCHED_ACKNOWLEDGED, S.NORMAL),
    ]
    found = over(rows, 4 * DAY)
    assert [0, 1, 1, 0] == [d.standing for d in found.days]
    assert [("A", SINCE + 3 * DAY)] == [(s.alarm, s.end_ns) for s in found.standing]


def test_what_stood_before_the_first_entry_is_not_forgotten() -> None:
    """An alarm that is met while active counts as active from the first entry on."""
    rows: list[Row] = [
        (-2 * DAY, "B", "occur", S.NORMAL, S.UNACKNOWLEDGED),
        (HOUR, "A", "acknowledge", S.UNACKNOWLEDGED, S.ACKNOWLEDGED),
    ]
    assert {"A", "B"} == {s.alarm for s in over(rows, DAY).standing}


def test_what_a_lost_state_left_behind_is_over_when_the_alarm_is_met_again() -> None:
    """An alarm that stood or was shelved when its saved state was lost does not stand for ever."""
    rows = [
        came(0, "G1.OLD"),
        (0, "G1.HELD", "shelve", S.NORMAL, S.SHELVED),
        (3 * HOUR, "G1.OLD", "occur", S.NORMAL, S.UNACKNOWLEDGED),
        (4 * HOUR, "G1.OLD", "clear", S.UNACKNOWLEDGED, S.RETURNED_UNACKNOWLEDGED),
        (4 * HOUR, "G1.HELD", "occur", S.NORMAL, S.UNACKNOWLEDGED),
        (5 * HOUR, "G1.HELD", "clear", S.UNACKNOWLEDGED, S.RETURNED_UNACKNOWLEDGED),
    ]
    found = over(rows, 3 * DAY)
    assert ((), ()) == (found.standing, found.shelved)


def test_priorities() -> None:
    """The distribution stands against 80 / 15 / 5 / less than 1 per cent."""
    names = {"L": 80, "M": 15, "H": 4, "C": 1}
    rows = [came(k * MINUTE, name) for name, count in names.items() for k in range(count)]
    found = over(sorted(rows), DAY, L="low", M="medium", H="high", C="critical")
    assert [0.8, 0.15, 0.04, 0.01] == [p.share for p in found.priorities]
    verdicts = {f.name: f.verdict for f in found.figures if f.name.startswith("priority")}
    assert {
        "priority low": "acceptable",
        "priority medium": "acceptable",
        "priority high": "acceptable",
        "priority critical": "over",
    } == verdicts


def test_what_is_shelved_at_the_end() -> None:
    """The list of what is shelved has who and why; what came back or was refused is not on it."""

    def entry(
        at: int,
        cue: str,
        alarm: str,
        before: AlarmState = S.NORMAL,
        after: AlarmState = S.SHELVED,
        refusal: str = "",
    ) -> JournalEntry:
        change = Transition(alarm, cue, before, after, "Ida", "lamp", refusal, 99)
        return JournalEntry(1, SINCE + at, "G1", 1, "", change)

    entries = [
        entry(1, "shelve", "A"),
        entry(2, "shelve", "B"),
        entry(3, "unshelve", "B", S.SHELVED, S.NORMAL),
        entry(4, "shelve", "C", S.NORMAL, S.NORMAL, "say why"),
        entry(5, "suppress", "A", S.SHELVED, S.SUPPRESSED),
    ]
    found = statistics(entries, SINCE, SINCE + DAY, {})
    assert [("A", "Ida", "lamp", 99)] == [
        (s.alarm, s.who, s.why, s.until_ns) for s in found.shelved
    ]
    assert 1.0 == figure(found, "shelved alarms at the end").value


def test_days() -> None:
    """Each day has its own figures, the last one as long as it is; together they are all."""
    rows = [came(t) for t in (*range(0, 12 * SECOND, SECOND), DAY, DAY + HOUR)]
    found = over(rows, DAY + 2 * HOUR)
    assert [(12, 12), (2, 1)] == [(d.annunciations, d.most_in_10_min) for d in found.days]
    assert [SINCE + DAY, SINCE + DAY + 2 * HOUR] == [d.end_ns for d in found.days]
    assert (True, 0.0) == (found.days[0].flood_share > 0, found.days[1].flood_share)


def test_nothing_happened() -> None:
    """An empty journal is a quiet plant: every figure is zero and acceptable."""
    found = over([], 30 * DAY)
    assert {(0.0, "acceptable")} == {(f.value, f.verdict) for f in found.figures}
    assert {True} == {bool(f.source and f.benchmark) for f in found.figures}


@pytest.mark.parametrize(("span", "positions"), [(0, 1), (-1, 1), (DAY, 0)])
def test_no_time_and_no_position_are_refused(span: int, positions: int) -> None:
    """Figures need a time and somebody who is called."""
    with pytest.raises(ValueError, match=r"must be after|at least one"):
        over([], span, positions)
