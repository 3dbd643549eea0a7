"""Cumulative sums against a published table, and steps in simulated series."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.diagnosis.cusum import (
    long_run_sigma,
    robust_sigma,
    step,
    tabular,
)

# A published table: target 99, K = 1, H = 10.
PUBLISHED = [102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1, 101.3, 98.7, 101.1,
             98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0]  # fmt: skip
HIGHS = [2.0, 0, 0, 0, 2.0, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
LOWS = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]


def noise(seed, count, dependence=0.0):
    x = np.random.default_rng(seed).normal(size=count)
    for i in range(1, count):
        x[i] += dependence * x[i - 1]
    return x


def first_signal(values, target, allowance, decision):
    """The index of the first value with which either sum is above `decision`."""
    sums = zip(*tabular(values, target, allowance), strict=True)
    return next((i for i, pair in enumerate(sums) if max(pair) > decision), None)


def test_published_table():
    """Both sums are those of the published table, and there is no signal."""
    highs, lows = tabular(PUBLISHED, 99.0, 1.0)
    assert pytest.approx(HIGHS, abs=1e-9) == highs
    assert pytest.approx(LOWS, abs=1e-9) == lows
    assert first_signal(PUBLISHED, 99.0, 1.0, 10.0) is None


@pytest.mark.parametrize(("after", "signal"), [(1.5, 11), (1.0, 16), (0.5, None)])
def test_signal_comes_when_the_sum_says(after, signal):
    """A step of 1.5 sigma is signalled at its 6th value, of 1 at its 11th, of K never."""
    series = [0.0] * 6 + [after] * 60
    assert signal == first_signal(series, 0.0, 0.5, 5.0)
    assert signal == first_signal([-x for x in series], 0.0, 0.5, 5.0)


@given(st.lists(st.floats(-5, 5), max_size=40), st.floats(-3, 3), st.floats(0, 2))
def test_sums_mirror(values, target, allowance):
    """What the upper sum sees in a series the lower one sees in its mirror image."""
    highs, lows = tabular(values, target, allowance)
    mirrored = tabular([-v for v in values], -target, allowance)
    assert pytest.approx(lows) == mirrored[0]
    assert pytest.approx(highs) == mirrored[1]
    assert all(v >= 0 for v in (*highs, *lows))


def test_sigma_is_that_of_the_noise_though_the_level_steps():
    """The MAD of differences gives the planted sigma, a step or not."""
    values = noise(1, 2000) * 0.2
    values[1000:] += 5
    assert pytest.approx(0.2, rel=0.08) == robust_sigma(values)
    assert pytest.approx(0.2, rel=0.15) == long_run_sigma(values)


def test_sigma_of_sums_counts_dependence():
    """For a first-order process with r the long-run sigma is 1/(1 - r) of its innovations."""
    assert pytest.approx(2.0, rel=0.2) == long_run_sigma(noise(2, 4000, 0.5))


@pytest.mark.parametrize("place", [6, 20, 45, 54])
def test_step_is_found_where_it_is(place):
    """A step of five sigma is found within one point of its place, with its levels."""
    values = 5.0 + 0.02 * noise(3, 60)
    values[place:] -= 0.1
    found = step(values, 0.001)
    assert abs(found.index - place) <= 1
    assert pytest.approx((5.0, 4.9), abs=0.02) == (found.before, found.after)


def test_outlier_is_no_step():
    """One value far off, or two, make no step."""
    values = 5.0 + 0.02 * noise(4, 60)
    values[30:32] -= 3.0
    assert step(values, 0.001) is None


def test_wild_value_does_not_move_the_place():
    """A single value a hundred sigma off leaves a step where it is."""
    values = 5.0 + 0.02 * noise(9, 60)
    values[40:] -= 0.1
    values[8] += 2.0
    assert abs(step(values, 0.001).index - 40) <= 1


def test_false_steps_are_rare():
    """On noise that is independent none is found in 300 windows; with r = 0.5 in at most 5 %."""
    for dependence, most in ((0.0, 0), (0.5, 15)):
        found = sum(step(noise(s, 120, dependence), 0.001) is not None for s in range(300))
        assert found <= most


def test_short_and_constant_series_have_no_step():
    """Fewer than four points a side tell nothing; equal values have no step."""
    assert step([1.0] * 3 + [0.0] * 4, 0.001) is None
    assert step([1.0] * 50, 0.001) is None
    assert 0.0 == robust_sigma([1.0, 2.0])
