"""Median and first-order lag, against their closed forms."""

from math import exp
from statistics import median

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.signals.filters import FilterState, apply
from gateway.site.model import Filter

SECOND = 1_000_000_000
numbers = st.floats(-1e9, 1e9)


def settings(count=1, time_constant="0 s"):
    return Filter.model_validate({"median": count, "time_constant": time_constant})


def run(values, step_s, filter_settings):
    state, outputs = FilterState(), []
    for one in values:
        state, output = apply(state, one, round(step_s * SECOND), filter_settings)
        outputs.append(output)
    return outputs


# Step response of a first-order lag: 1 - exp(-t/T); 63.2 % after one time constant.
@pytest.mark.parametrize("step_s", [0.1, 0.5, 2.0, 7.0])
def test_lag_follows_its_step_response(step_s):
    """A step passes the lag as its closed form says, at any period of polling."""
    outputs = run([0.0] + [1.0] * 20, step_s, settings(time_constant="2 s"))
    expected = [1 - exp(-n * step_s / 2) for n in range(21)]
    assert expected == pytest.approx(outputs, rel=1e-9)
    assert 0.632 == pytest.approx(run([0, 1], 2, settings(time_constant="2 s"))[-1], abs=1e-3)


def test_lag_does_not_depend_on_how_often_it_is_asked():
    """Ten small steps of time are one large one while the value stands still."""
    slow = run([0, 5], 10, settings(time_constant="3 s"))[-1]
    fast = run([0] + [5] * 10, 1, settings(time_constant="3 s"))[-1]
    assert slow == pytest.approx(fast)


def test_first_value_passes():
    """There is nothing to lag behind at the first value."""
    assert [7.0] == run([7.0], 1, settings(5, "60 s"))


def test_median_removes_one_spike_in_three():
    """A spike of one value does not pass a median of three."""
    assert [1, 1, 1, 2, 2] == run([1, 1, 99, 2, 2], 1, settings(3))


@given(st.lists(numbers, min_size=1, max_size=30), st.sampled_from([1, 3, 5, 7]))
def test_median_is_that_of_the_last_values(values, count):
    """Without a lag the output is the median of the last values there are."""
    expected = [median(values[max(0, i - count + 1) : i + 1]) for i in range(len(values))]
    assert expected == run(values, 1, settings(count))


@given(st.lists(numbers, min_size=1, max_size=30), st.sampled_from([1, 3]), st.floats(0.01, 100))
def test_filter_stays_within_what_was_seen(values, count, step_s):
    """A filter invents no value beyond those that it was given."""
    outputs = run(values, step_s, settings(count, "5 s"))
    margin = 1e-9 * max(map(abs, values))
    for i, output in enumerate(outputs):
        seen = values[: i + 1]
        assert min(seen) - margin <= output <= max(seen) + margin
