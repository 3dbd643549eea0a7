"""Limits, deadbands and limit bits."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.alarms.conditions import Truth, above, actuated, below
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
