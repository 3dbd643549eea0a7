"""Whether a number behaves like a live one, against outside statistics."""

import random
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from gateway.diagnosis.live_value import Liveness, LiveValue
from gateway.signals.sampling import SignalState, Usable
from gateway.tags import GOOD, Limit
from tests.diagnosis.health_site import SECOND, site


def watch(**entries):
    signals = site(thermometer=entries).file.signals
    return LiveValue(next(s for s in signals if s.tag == "U1.TEMP"))


def fed(live_value, values, status=GOOD):
    live = Liveness()
    for i, value in enumerate(values, 1):
        usable = Usable(value, status, None, i * SECOND, i * SECOND)
        live = live_value.after(live, SignalState(usable=usable, read_at_ns=i * SECOND))
    return live


@given(st.lists(st.floats(-1000, 1000), min_size=50, max_size=50))
def test_noise_is_the_standard_deviation(values):
    """The noise of a block is the sample standard deviation of its 50 values."""
    # Python's statistics module works in exact fractions.
    expected = statistics.stdev(values)
    noise = fed(watch(expected_noise="1 degC"), values).noise
    assert pytest.approx(expected, rel=1e-6, abs=1e-9) == noise


def test_live_value_is_rarely_doubted():
    """A live value's noise falls below half of the true one in less than 1e-7 of all blocks."""
    # (n - 1) s^2 / sigma^2 has a chi-square distribution with n - 1 degrees of freedom.
    assert stats.chi2.cdf(49 * 0.5**2, 49) < 1e-7
    live_value, chance = watch(expected_noise="0.2 degC"), random.Random(4)
    for _ in range(100):
        live = fed(live_value, [60 + chance.gauss(0, 0.2) for _ in range(50)])
        assert [] == live_value.found(live, 50 * SECOND)


def test_value_at_the_end_of_its_range_has_no_noise_to_show():
    """'At least' stands still however alive the monitor is."""
    live_value = watch(expected_noise="0.2 degC")
    live = fed(live_value, [150.0] * 60, GOOD.with_limit(Limit.HIGH))
    assert [] == live_value.found(live, 60 * SECOND)
    assert ["noise absent"] == [
        c for c, _ in live_value.found(fed(live_value, [150.0] * 60), 60 * SECOND)
    ]


def test_block_does_not_reach_over_a_break():
    """Values before and after a break do not make one block: what was between is not known."""
    live_value = watch(expected_noise="0.2 degC")
    live = fed(live_value, [60.0] * 40)
    for i in range(100, 149):
        usable = Usable(60.0, GOOD, None, i * SECOND, i * SECOND)
        live = live_value.after(live, SignalState(usable=usable, read_at_ns=i * SECOND))
        assert [] == live_value.found(live, i * SECOND)
