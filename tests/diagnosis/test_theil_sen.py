"""Theil-Sen slopes against scipy and worked tables."""

from collections import Counter

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from gateway.diagnosis.theil_sen import theil_sen, through_all

USGS = (1.0, 2.0, 3.0, 4.0, 5.0, 16.0, 7.0)  # outlier example after Helsel and Hirsch, USGS
WEAR = (20.1, 19.8, 19.9, 19.4, 19.4, 19.0, 18.7, 18.9, 18.2, 17.9)
TIED = (5.0, 5.0, 5.0, 6.0, 6.0, 7.0, 7.0, 7.0, 8.0, 9.0)
NUMBERS = st.integers(-50, 50).map(float)
POINTS = st.lists(st.tuples(NUMBERS, NUMBERS), min_size=3, max_size=30).filter(
    lambda points: len({x for x, _ in points}) > 1
)


@pytest.mark.parametrize(
    ("series", "slope", "low", "high", "intercept"),
    [
        (USGS, 1.0, 1.0, 3.5, 1.0),
        (WEAR, -0.2375, -0.3, -0.2, 20.26875),
        (TIED, 0.428571, 0.3333, 0.5, 4.571429),
    ],
)
def test_worked_tables(series, slope, low, high, intercept):
    """Slope, interval and intercept are those of tables computed apart from this code."""
    found = theil_sen(range(len(series)), series)
    assert pytest.approx((slope, low, high, intercept), abs=5e-5) == (
        found.value,
        found.low,
        found.high,
        found.intercept,
    )


def spread(values):
    return sum(k * (k - 1) * (2 * k + 5) for k in Counter(values).values())


@given(POINTS)
def test_scipy_gives_the_same(points):
    """Slope, interval and intercept agree with scipy on any series, ties in x and y included."""
    x, y = zip(*points, strict=True)
    n = len(x)  # scipy takes the root of a negative number where most of both is tied
    assume(n * (n - 1) * (2 * n + 5) >= spread(x) + spread(y))
    found = theil_sen(x, y)
    expected = stats.theilslopes(y, x, 0.95)
    assert pytest.approx(
        (expected.slope, expected.intercept, expected.low_slope, expected.high_slope)
    ) == (found.value, found.intercept, found.low, found.high)


@given(POINTS)
def test_the_level_of_all_points_is_that_of_scipy(points):
    """The line through all residuals has the slope of the other one and scipy's joint intercept."""
    x, y = zip(*points, strict=True)
    n = len(x)
    assume(n * (n - 1) * (2 * n + 5) >= spread(x) + spread(y))
    found = through_all(theil_sen(x, y), x, y)
    expected = stats.theilslopes(y, x, 0.95, method="joint")
    assert pytest.approx((expected.slope, expected.intercept)) == (found.value, found.intercept)


@given(POINTS, st.floats(1.0, 20.0))
def test_inflation_only_widens(points, inflation):
    """Dependence between points leaves the slope and never narrows its interval."""
    x, y = zip(*points, strict=True)
    plain, wide = theil_sen(x, y), theil_sen(x, y, inflation)
    assert plain.value == wide.value
    assert wide.low <= plain.low <= plain.high <= wide.high


def test_one_place_has_no_slope():
    """Where all points have one x nothing is told."""
    assert theil_sen([1.0, 1.0], [0.0, 5.0]) is None
    assert theil_sen([], []) is None


def test_unequal_lengths_are_refused():
    """Points without a partner are an error that names both counts."""
    with pytest.raises(ValueError, match="3 values of x and 2 of y"):
        theil_sen([0, 1, 2], [0, 1])
