"""Mann-Kendall against worked tables, scipy and plain counting."""

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from gateway.diagnosis.mann_kendall import (
    combined,
    lag_1_inflation,
    mann_kendall,
    two_sided,
)

USGS = (1, 2, 3, 4, 5, 16, 7)
WEAR = (20.1, 19.8, 19.9, 19.4, 19.4, 19.0, 18.7, 18.9, 18.2, 17.9)
TIED = (5, 5, 5, 6, 6, 7, 7, 7, 8, 9)


@pytest.mark.parametrize(
    ("series", "s", "variance", "z", "p"),
    [
        (USGS, 19, 44.333333, 2.703381, 6.863795e-03),
        (WEAR, -40, 124.0, -3.502303, 4.612541e-04),
        (TIED, 38, 116.666667, 3.425534, 6.135913e-04),
    ],
)
def test_worked_tables(series, s, variance, z, p):
    """S, Var, Z and the normal p are those of tables after Gilbert 1987."""
    found = mann_kendall(series, exact_up_to=0)
    assert s == found.s
    assert pytest.approx((variance, z, p), rel=1e-6) == (
        found.variance,
        found.z,
        found.p_value,
    )


@given(st.permutations(range(9)))
def test_exact_p_is_that_of_scipy(order):
    """Without ties the exact p is that of scipy's exact test of Kendall's tau."""
    expected = stats.kendalltau(range(9), order, method="exact").pvalue
    assert pytest.approx(expected) == mann_kendall(order).p_value


@settings(max_examples=25)
@given(st.lists(st.integers(0, 3), min_size=2, max_size=6))
def test_exact_p_with_ties_is_the_share_of_orders(values):
    """With ties the exact p is the share of all orders that are at least as extreme."""
    s = abs(mann_kendall(values).s)
    orders = list(permutations(values))

    def size(x):
        return abs(sum(np.sign(x[j] - x[i]) for j in range(len(x)) for i in range(j)))

    expected = sum(size(order) >= s for order in orders) / len(orders)
    assert pytest.approx(expected) == mann_kendall(values).p_value


@given(st.lists(st.integers(0, 20), min_size=11, max_size=40))
def test_s_is_that_of_scipy(values):
    """S agrees with Kendall's tau-b of scipy against time, for any ties."""
    tau = stats.kendalltau(range(len(values)), values).statistic
    n = len(values)
    _, ties = np.unique(values, return_counts=True)
    scale = np.sqrt(n * (n - 1) / 2) * np.sqrt(n * (n - 1) / 2 - (ties * (ties - 1) / 2).sum())
    assert pytest.approx(0.0 if np.isnan(tau) else tau * scale) == mann_kendall(values).s


def test_constant_series_has_no_trend():
    """All values equal: S = 0, Z = 0, p = 1."""
    for count in (0, 1, 5, 20):
        found = mann_kendall([3.0] * count)
        assert (0, 0.0, 1.0) == (found.s, found.z, found.p_value)


def test_stretches_add_up():
    """Stretches of rising values count together; S and Var are sums (Hirsch and Slack)."""
    rising = mann_kendall(range(12))
    both = combined([rising, rising])
    assert (2 * rising.s, 2 * rising.variance) == (both.s, both.variance)
    assert both.p_value == two_sided((2 * rising.s - 1) / np.sqrt(2 * rising.variance))


def test_dependence_raises_p():
    """A wandering series without a trend is told one half as often as without the correction."""
    rng = np.random.default_rng(5)
    plain = corrected = 0
    for _ in range(300):
        x = rng.normal(size=60)
        for i in range(1, len(x)):
            x[i] += 0.6 * x[i - 1]
        plain += mann_kendall(x).p_value < 0.05
        corrected += mann_kendall(x, lag_1_inflation(x)).p_value < 0.05
    assert 0.2 < plain / 300
    assert corrected / 300 < 0.12


def test_independent_values_are_mostly_left_alone():
    """Without dependence the variance is inflated in about one series of twenty."""
    rng = np.random.default_rng(6)
    inflated = sum(lag_1_inflation(rng.normal(size=60)) > 1 for _ in range(400))
    assert 0.01 < inflated / 400 < 0.12


def test_few_or_equal_residuals_inflate_nothing():
    """Below twenty points, or where all are equal, nothing is known of dependence."""
    assert 1.0 == lag_1_inflation(range(19))
    assert 1.0 < lag_1_inflation(range(20))
    assert 1.0 == lag_1_inflation([0.0] * 30)
