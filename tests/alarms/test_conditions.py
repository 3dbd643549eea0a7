"""Limits, deadbands and limit bits."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.alarms.conditions import (
    EXTREMES_MOST,
    Track,
    Truth,
    above,
    actuated,
    apart,
    below,
    moved_by,
)
from gateway.tags import (
    BAD_SENSOR_FAILURE,
    GOOD,
    UNCERTAIN_CONFIGURATION_ERROR,
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
    UNCERTAIN_INITIAL_VALUE,
    UNCERTAIN_LAST_USABLE_VALUE,
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
    UNCERTAIN_SUBSTITUTE_VALUE,
    Limit,
    Sample,
    Status,
)


def sample(value: float | bool, status: Status = GOOD) -> Sample:
    return Sample("T", value, status, 0)


@pytest.mark.parametrize(
    ("limit", "share", "clears"),
    # Deadband arithmetic: 10 % of 20 kohm, 20 % of 5 kohm.
    [(20.0, 0.10, 22.0), (5.0, 0.20, 6.0)],
)
def test_a_low_limit_clears_above_its_deadband(limit: float, share: float, clears: float) -> None:
    """Below the limit it is true, above limit plus deadband false, in between as it was."""
    deadband = limit * share
    assert Truth.TRUE == below(sample(limit - 1e-6), limit, deadband)
    assert Truth.KEPT == below(sample(limit), limit, deadband)
    assert Truth.KEPT == below(sample(clears - 1e-6), limit, deadband)
    assert Truth.FALSE == below(sample(clears + 1e-6), limit, deadband)


def test_a_high_limit_clears_below_its_deadband() -> None:
    """A high alarm at 130 degrees with a deadband of 2 clears below 128."""
    seen = [above(sample(v), 130.0, 2.0) for v in (130.001, 130.0, 128.001, 127.999)]
    assert [Truth.TRUE, Truth.KEPT, Truth.KEPT, Truth.FALSE] == seen


def test_no_deadband_leaves_nothing_in_between() -> None:
    """Without a deadband the limit itself is already back to normal."""
    assert Truth.FALSE == below(sample(20.0), 20.0, 0.0)
    assert Truth.FALSE == above(sample(20.0), 20.0, 0.0)


AT_LEAST, AT_MOST = GOOD.with_limit(Limit.HIGH), GOOD.with_limit(Limit.LOW)


def test_at_least_ten_megohms() -> None:
    """'At least 10 Mohm' is surely not below 50 kohm, and nobody knows whether below 20 Mohm."""
    seen = sample(10e6, AT_LEAST)
    assert Truth.FALSE == below(seen, 50e3, 5e3)
    assert Truth.UNKNOWN == below(seen, 20e6, 2e6)
    assert Truth.TRUE == above(seen, 5e6, 0.0)
    assert Truth.UNKNOWN == above(seen, 20e6, 2e6)


def test_at_most_two_kilohms() -> None:
    """'At most 2 kohm' is surely below 20 kohm, and nobody knows whether below 1 kohm."""
    seen = sample(2e3, AT_MOST)
    assert Truth.TRUE == below(seen, 20e3, 2e3)
    assert Truth.UNKNOWN == below(seen, 1e3, 100.0)
    assert Truth.FALSE == above(seen, 20e3, 2e3)
    assert Truth.UNKNOWN == above(seen, 1e3, 100.0)


def test_a_dead_fault_with_contradicted_settings_is_true() -> None:
    """'At most zero' with doubtful settings is still a fault."""
    status = UNCERTAIN_CONFIGURATION_ERROR.with_limit(Limit.LOW)
    assert Truth.TRUE == below(sample(0.0, status), 20e3, 2e3)


@pytest.mark.parametrize(
    "status",
    [
        UNCERTAIN_LAST_USABLE_VALUE,
        UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
        UNCERTAIN_SUBSTITUTE_VALUE,
        UNCERTAIN_INITIAL_VALUE,
    ],
)
def test_old_values_and_stand_ins_prove_nothing(status: Status) -> None:
    """A value that was not measured now makes every condition unknown."""
    for value in (0.0, 1e9):
        assert Truth.UNKNOWN == below(sample(value, status), 20e3, 2e3)
        assert Truth.UNKNOWN == above(sample(value, status), 20e3, 2e3)
    for contact in (False, True):
        assert Truth.UNKNOWN == actuated(sample(contact, status))


def test_bad_is_unknown_and_contacts_speak() -> None:
    """A Bad sample is unknown; a Good contact is what it says."""
    bad = Sample("T", None, BAD_SENSOR_FAILURE, 0)
    assert [Truth.UNKNOWN] * 3 == [below(bad, 1, 0), above(bad, 1, 0), actuated(bad)]
    assert [Truth.TRUE, Truth.FALSE] == [actuated(sample(True)), actuated(sample(False))]


@given(
    value=st.floats(0, 1e9),
    truth=st.floats(0, 1e9),
    limit=st.floats(1, 1e8),
    share=st.floats(0, 0.5),
    status=st.sampled_from([GOOD, UNCERTAIN_ENGINEERING_UNITS_EXCEEDED]),
    upward=st.booleans(),
)
def test_a_bound_never_contradicts_any_value_it_allows(
    value: float, truth: float, limit: float, share: float, status: Status, upward: bool
) -> None:
    """Whatever a bound decides, every value within the bound would have decided the same."""
    bits = Limit.HIGH if truth >= value else Limit.LOW
    judge = above if upward else below
    bounded = judge(sample(value, status.with_limit(bits)), limit, limit * share)
    if bounded is not Truth.UNKNOWN:
        assert bounded == judge(sample(truth), limit, limit * share)


@pytest.mark.parametrize(
    ("one", "other", "truth"),
    [
        (sample(51.0), sample(46.0), Truth.TRUE),
        (sample(46.0), sample(51.0), Truth.TRUE),
        (sample(50.0), sample(46.0), Truth.KEPT),
        (sample(49.5), sample(46.0), Truth.FALSE),
        # 'At least' and 'at most' decide only what follows from them.
        (sample(51.0, AT_LEAST), sample(46.0), Truth.TRUE),
        (sample(47.0, AT_LEAST), sample(46.0), Truth.UNKNOWN),
        (sample(46.0, AT_LEAST), sample(51.0), Truth.UNKNOWN),
        (sample(40.0, AT_MOST), sample(51.0), Truth.TRUE),
        (sample(51.0, AT_LEAST), sample(46.0, AT_MOST), Truth.TRUE),
        (sample(51.0, AT_LEAST), sample(51.0, AT_LEAST), Truth.UNKNOWN),
        (Sample("T", None, BAD_SENSOR_FAILURE, 0), sample(46.0), Truth.UNKNOWN),
        (sample(46.0), sample(99.0, UNCERTAIN_LAST_USABLE_VALUE), Truth.UNKNOWN),
    ],
)
def test_deviation(one: Sample, other: Sample, truth: Truth) -> None:
    """Two values deviate when they are provably further apart than the limit."""
    assert truth == apart(one, other, 1.0, 4.0, 0.4)


def test_deviation_takes_the_other_value_into_its_own_unit() -> None:
    """Values of two units are compared in that of the first one."""
    assert Truth.FALSE == apart(sample(50.0), sample(0.05), 1000.0, 4.0, 0.4)
    assert Truth.TRUE == apart(sample(50.0), sample(0.06), 1000.0, 4.0, 0.4)


SECOND = 1_000_000_000


@given(
    steps=st.lists(
        st.tuples(st.integers(0, 40), st.none() | st.integers(-60, 60)), min_size=1, max_size=200
    ),
    upward=st.booleans(),
)
def test_rate_of_change_against_all_values(
    steps: list[tuple[int, int | None]], upward: bool
) -> None:
    """With few memories a move is told as if all values of the time had been kept.

    It is never told for a longer time, and always for one shorter by a 59th.
    """
    within_ns, clock_ns, sign = 118 * SECOND, 0, 1 if upward else -1
    track: Track = ()
    seen: list[tuple[int, int]] = []
    for seconds, value in steps:
        clock_ns += seconds * SECOND
        given = sample(float(value)) if value is not None else sample(0.0, UNCERTAIN_INITIAL_VALUE)
        truth, track = moved_by(given, track, 50.0, 10.0, within_ns, clock_ns, upward=upward)
        assert len(track) <= EXTREMES_MOST
        if value is None:
            assert Truth.UNKNOWN == truth
            continue
        seen.append((clock_ns, sign * value))
        most, surely = (
            sign * value - min(v for t, v in seen if clock_ns - t <= span_ns)
            for span_ns in (within_ns, within_ns - 2 * SECOND)
        )
        if truth is Truth.TRUE:
            assert most > 50
        elif truth is Truth.KEPT:
            assert most > 40
            assert surely <= 50
        else:
            assert surely <= 40


def test_a_steady_climb_is_bounded_in_memory() -> None:
    """A value read fast that only climbs keeps no more than 60 extremes, and is still told."""
    track: Track = ()
    told = []
    for k in range(5000):
        truth, track = moved_by(
            sample(k * 0.1), track, 95.0, 5.0, 100 * SECOND, k * SECOND // 10, upward=True
        )
        told.append(truth)
        assert len(track) <= EXTREMES_MOST
    # 0.1 in 0.1 s: 100 in 100 s, and in the 59/60 of it that are sure, 98.
    assert {Truth.TRUE} == set(told[1000:])
    assert Truth.FALSE == told[500]


@pytest.mark.parametrize(
    ("then", "now", "upward", "truth"),
    [
        # From 'at least 90' down to 10: fallen by 80 at least.
        (sample(90.0, AT_LEAST), sample(10.0), False, Truth.TRUE),
        # From 'at least 90' up to 99: it may as well have fallen.
        (sample(90.0, AT_LEAST), sample(99.0), True, Truth.FALSE),
        (sample(10.0), sample(90.0, AT_LEAST), True, Truth.TRUE),
        (sample(89.0), sample(90.0, AT_LEAST), True, Truth.UNKNOWN),
        (sample(89.0), sample(90.0, AT_LEAST), False, Truth.FALSE),
        (sample(10.0, AT_MOST), sample(90.0), True, Truth.TRUE),
        (sample(90.0), sample(10.0, AT_MOST), False, Truth.TRUE),
        (sample(90.0), sample(89.0, AT_MOST), False, Truth.UNKNOWN),
    ],
)
def test_rate_of_change_at_the_end_of_a_scale(
    then: Sample, now: Sample, upward: bool, truth: Truth
) -> None:
    """'At least' and 'at most' prove a move in one direction only."""
    _, track = moved_by(then, (), 50.0, 5.0, 60 * SECOND, 0, upward=upward)
    assert truth == moved_by(now, track, 50.0, 5.0, 60 * SECOND, SECOND, upward=upward)[0]


def test_a_move_is_forgotten_after_its_time() -> None:
    """A step is told for as long as its time lasts, and no longer, also over a gap of data."""
    _, track = moved_by(sample(0.0), (), 50.0, 5.0, 60 * SECOND, 0, upward=True)
    for at_s, truth in ((1, Truth.TRUE), (60, Truth.TRUE), (61, Truth.FALSE)):
        assert (
            truth
            == moved_by(sample(80.0), track, 50.0, 5.0, 60 * SECOND, at_s * SECOND, upward=True)[0]
        )


def test_a_clock_that_begins_anew_makes_no_move() -> None:
    """Values from the future of a chain whose clock was lost are forgotten."""
    _, track = moved_by(sample(0.0), (), 50.0, 5.0, 60 * SECOND, 900 * SECOND, upward=True)
    assert Truth.FALSE == moved_by(sample(80.0), track, 50.0, 5.0, 60 * SECOND, 0, upward=True)[0]
