"""Time to a limit against the worked example, and what is never forecast."""

import random
from math import log10

import pytest

from gateway.diagnosis.forecast import forecast
from gateway.diagnosis.theil_sen import Slope, theil_sen, through_all

WEAR = (20.1, 19.8, 19.9, 19.4, 19.4, 19.0, 18.7, 18.9, 18.2, 17.9)


def test_worked_example():
    """The line of the worked series of check tables is at 15 after 13.184 days.

    The example is in plain numbers; here they are taken as logarithms.
    """
    slope = theil_sen(range(10), WEAR)
    found = forecast("U1.LOW", 1e12, 10**15.0, slope, 9.0)
    assert pytest.approx(13.184, abs=5e-4) == found.likely_days
    assert ("U1.LOW", 1e12) == (found.alarm, found.limit)
    # Each end of the interval through the medians (4.5, 19.2): (19.2 - 4.5 r - 15) / r.
    assert pytest.approx((4.2 / 0.3 - 4.5, 4.2 / 0.2 - 4.5)) == (
        found.earliest_days,
        found.latest_days,
    )


def test_the_interval_holds_the_truth():
    """Of planted declines with scatter, the forecast interval holds the true time in 90 %."""
    held = 0
    for seed in range(200):
        draw = random.Random(seed)
        days = [k / 24 for k in range(120)]
        rate, scatter = -draw.uniform(0.1, 0.4), draw.uniform(0.005, 0.03)
        logs = [6.3 + rate * day + draw.gauss(0.0, scatter) for day in days]
        slope = through_all(theil_sen(days, logs), days, logs)
        found = forecast("A", 20.0, 20e3, slope, days[-1])
        truth = (log10(20e3) - 6.3) / rate - days[-1]
        held += found.earliest_days <= truth <= found.latest_days
    assert held >= 180


def test_logarithms_of_ohms():
    """From 1 Mohm, a decade in ten days, the limit 10 kohm is 20 days away."""
    found = forecast("A", 10.0, 10e3, Slope(-0.1, -0.2, -0.05, 0.0, 6.0), 0.0)
    assert pytest.approx((10.0, 20.0, 40.0)) == (
        found.earliest_days,
        found.likely_days,
        found.latest_days,
    )
    assert pytest.approx(4.0) == log10(10e3)


def test_end_that_does_not_fall_reaches_nothing():
    """A slope that rises, stands still or needs more than a century gives None."""
    found = forecast("A", 10.0, 10e3, Slope(-0.1, -0.2, 0.01, 0.0, 6.0), 0.0)
    assert found.latest_days is None
    found = forecast("A", 10.0, 10e3, Slope(-1e-5, -0.1, 0.0, 0.0, 6.0), 0.0)
    assert (None, None) == (found.likely_days, found.latest_days)


def test_line_below_the_limit_is_there():
    """Below the limit already: no days are left, whatever the slope."""
    found = forecast("A", 10.0, 10e6, Slope(-0.1, -0.2, 0.1, 0.0, 6.0), 0.0)
    assert (0.0, 0.0, 0.0) == (found.earliest_days, found.likely_days, found.latest_days)


def test_limit_without_a_logarithm_is_refused():
    """A limit of zero ohm is an error that names the alarm."""
    with pytest.raises(ValueError, match=r"U1\.LOW"):
        forecast("U1.LOW", 0.0, 0.0, Slope(-0.1, -0.2, 0.1, 0.0, 6.0), 0.0)
