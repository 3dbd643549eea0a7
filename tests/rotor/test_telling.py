"""What an uncertain conductance and an uncertain place are told as, at every threshold."""

from __future__ import annotations

from math import hypot, inf, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.rotor import telling
from gateway.rotor.measured import Estimate, Measured
from gateway.tags import (
    BAD_CONFIGURATION_ERROR,
    BAD_OUT_OF_RANGE,
    GOOD,
    UNCERTAIN,
    UNCERTAIN_CONFIGURATION_ERROR,
    UNCERTAIN_SENSOR_NOT_ACCURATE,
    Limit,
    Status,
)

R0 = 31e3
AT_LEAST = GOOD.with_limit(Limit.HIGH)
AT_MOST = GOOD.with_limit(Limit.LOW)
KNOWN = Measured(1e-5, 1e-8)  # a conductance that leaves no doubt


def resistance(conductance_s: float, u_s: float, u_r0: float = 0.0) -> Estimate:
    """What a loop conductance is told as, with the fault's resistance by the law of propagation."""
    fault = Measured(inf, inf)
    if conductance_s:
        loop_ohm = 1 / conductance_s
        fault = Measured(loop_ohm - R0, hypot(loop_ohm**2 * u_s, u_r0))
    return telling.resistance(Measured(conductance_s, u_s), fault, Measured(R0, u_r0))


def loop_s(fault_ohm: float) -> float:
    return 1 / (R0 + fault_ohm)


@pytest.mark.parametrize(
    ("in_u", "status"),
    [
        (-3.01, BAD_CONFIGURATION_ERROR),
        (-2.99, AT_LEAST),
        (0.0, AT_LEAST),
        (1.99, AT_LEAST),
        (2.01, GOOD),
    ],
)
def test_thresholds_of_a_small_conductance(in_u: float, status: Status) -> None:
    """Up to two uncertainties from zero it is 'at least', three below it is a contradiction."""
    assert status == resistance(in_u * 1e-9, 1e-9).status


@pytest.mark.parametrize("in_u", [-2.5, 0.0, 1.0, 1.9])
def test_at_least_is_the_end_of_the_interval(in_u: float) -> None:
    """'At least' is where two uncertainties end; noise below zero does not raise it."""
    u_s, u_r0 = 1e-8, 50.0
    expected = 1 / (max(in_u, 0.0) * u_s + 2 * u_s) - R0 - 2 * u_r0
    told = resistance(in_u * u_s, u_s, u_r0)
    assert (AT_LEAST, None) == (told.status, told.u)
    assert pytest.approx(expected, rel=1e-12) == told.value


def test_no_current_without_any_doubt_is_infinite() -> None:
    """An exact zero is 'at least infinity'."""
    assert Estimate(AT_LEAST, inf) == resistance(0.0, 0.0)


def test_at_least_nothing_is_not_good() -> None:
    """A bound at or below zero ohm is zero, and Uncertain: the noise hides even a dead fault."""
    drowned = UNCERTAIN_SENSOR_NOT_ACCURATE.with_limit(Limit.HIGH)
    limit_s = 1 / (2 * R0)  # twice this is R0 alone
    assert Estimate(drowned, 0.0) == resistance(0.0, limit_s * 1.0001)
    just = resistance(0.0, limit_s * 0.999)
    assert AT_LEAST == just.status
    assert pytest.approx(0.001 / 0.999 * R0, rel=1e-9) == just.value
    # R0 that is not well known takes the rest away.
    assert Estimate(drowned, 0.0) == resistance(0.0, limit_s * 0.999, u_r0=0.001 * R0)


@pytest.mark.parametrize(
    ("fault_ohm", "u_rel", "u_r0", "status"),
    [
        # Two uncertainties of the loop's resistance are 62 ohm towards zero (61.9 exactly).
        (60.0, 1e-3, 0.0, AT_MOST),
        (63.0, 1e-3, 0.0, GOOD),
        (0.0, 1e-3, 0.0, AT_MOST),
        (-60.0, 1e-3, 0.0, AT_MOST),
        (-63.0, 1e-3, 0.0, UNCERTAIN_CONFIGURATION_ERROR.with_limit(Limit.LOW)),
        # The same from R0's own uncertainty, and from both together (60 and 80 make 100).
        (60.0, 0.0, 31.0, AT_MOST),
        (63.0, 0.0, 31.0, GOOD),
        (98.0, 30 / R0, 40.0, AT_MOST),
        (101.0, 30 / R0, 40.0, GOOD),
        (-98.0, 30 / R0, 40.0, AT_MOST),
        (-101.0, 30 / R0, 40.0, UNCERTAIN_CONFIGURATION_ERROR.with_limit(Limit.LOW)),
    ],
)
def test_thresholds_of_a_dead_fault(
    fault_ohm: float, u_rel: float, u_r0: float, status: Status
) -> None:
    """Within two uncertainties of zero a resistance is 'at most', below them it contradicts."""
    told = resistance(loop_s(fault_ohm), u_rel * loop_s(fault_ohm), u_r0)
    assert status == told.status
    if status.limit:
        reach_ohm = hypot(2 * u_rel * R0, 2 * u_r0)
        assert pytest.approx(max(fault_ohm + reach_ohm, 0.0), abs=0.3) == told.value
        assert told.u is None
    else:
        assert pytest.approx(fault_ohm, rel=1e-9) == told.value


@pytest.mark.parametrize("relative", [1e-4, 0.03, 0.1])
def test_a_number_has_the_spread_of_its_conductances(relative: float) -> None:
    """The uncertainty is that of 1/G with normal noise on G, curvature and all (Monte Carlo)."""
    conductance_s = loop_s(2e6)
    told = resistance(conductance_s, relative * conductance_s)
    assert told.u is not None
    noise = np.random.default_rng(3).normal(1.0, relative, 200_000)
    assert pytest.approx(float(np.std(1 / (conductance_s * noise))), rel=0.03) == told.u
    # GUM 5.1.2, note, for f = 1/G: u^2 = f'^2 u^2 + (f''^2/2 + f' f''') u^4.
    expected = (R0 + 2e6) * sqrt(relative**2 + 8 * relative**4)
    assert pytest.approx(expected, rel=1e-9) == told.u


@pytest.mark.parametrize("fault_ohm", [0.0, 50.0, 20e3, 1e6, inf])
@pytest.mark.parametrize("u_s", [1e-11, 1e-8, 1e-7, 3e-6])
def test_bounds_are_true_as_often_as_they_claim(fault_ohm: float, u_s: float) -> None:
    """No more bounds are wrong than a normal distribution has beyond two deviations (2.3 %)."""
    true_s = loop_s(fault_ohm) if fault_ohm < inf else 0.0
    wrong, draws = 0, 3000
    for noise in np.random.default_rng(4).normal(0, u_s, draws):
        told = resistance(true_s + noise, u_s)
        if told.value is None:
            continue
        if told.status.limit == Limit.HIGH:
            wrong += told.value > fault_ohm * (1 + 1e-9)
        elif told.status.limit == Limit.LOW:
            wrong += told.value < fault_ohm * (1 - 1e-9)
    # Three deviations of a binomial.
    assert wrong / draws <= 0.0228 + 3 * sqrt(0.0228 / draws)


@given(st.floats(-1e-3, 1e-3), st.floats(0, 1e-3), st.floats(1.0, 1e6), st.floats(0, 1e4))
def test_a_resistance_is_a_number_a_bound_or_bad(
    conductance_s: float, u_s: float, r0_ohm: float, u_r0: float
) -> None:
    """Bad has no value, a bound no uncertainty, a number both; no bound is below zero."""
    fault = Measured(inf, inf)
    if abs(conductance_s) > 1e-15:
        loop_ohm = 1 / conductance_s
        fault = Measured(loop_ohm - r0_ohm, hypot(loop_ohm**2 * u_s, u_r0))
    told = telling.resistance(Measured(conductance_s, u_s), fault, Measured(r0_ohm, u_r0))
    assert (told.value is None) == told.status.is_bad
    if told.status.limit:
        assert told.u is None
        assert told.value is not None
        assert told.value >= 0.0
    elif told.value is not None:
        assert told.u is not None
        assert told.value > 0.0


@pytest.mark.parametrize(
    ("place", "u", "status"),
    [
        (0.3, 0.0, GOOD),
        (0.3, 0.0799, GOOD),
        (0.3, 0.0801, UNCERTAIN),
        (0.3, 0.2886, UNCERTAIN),
        (-0.0499, 0.0, GOOD),
        (-0.0501, 0.0, BAD_OUT_OF_RANGE),
        (1.0499, 0.0, GOOD),
        (1.0501, 0.0, BAD_OUT_OF_RANGE),
        # 0.05 and twice 0.06 make 0.13.
        (-0.1299, 0.06, GOOD),
        (-0.1301, 0.06, BAD_OUT_OF_RANGE),
        (1.1299, 0.06, GOOD),
        (1.1301, 0.06, BAD_OUT_OF_RANGE),
        (1.2, 0.2, UNCERTAIN),
    ],
)
def test_thresholds_of_a_place(place: float, u: float, status: Status) -> None:
    """A third of the winding is vague; 5 % and two uncertainties outside it is impossible."""
    told = telling.location(KNOWN, Measured(place, u))
    expected = Estimate(status) if status.is_bad else Estimate(status, place, u)
    assert expected == told


@pytest.mark.parametrize(
    ("conductance", "place"),
    [
        (KNOWN, None),
        (Measured(4.99e-9, 1e-9), Measured(0.5, 1e-3)),
        (Measured(0.0, 0.0), Measured(0.5, 1e-3)),
        (Measured(-1e-5, 1e-8), Measured(0.5, 1e-3)),
        (KNOWN, Measured(0.5, 0.2888)),
        # Nothing is known of it, so it cannot be outside.
        (KNOWN, Measured(7.0, 0.2888)),
    ],
)
def test_a_place_that_is_not_told(conductance: Measured, place: Measured | None) -> None:
    """Without field voltage, current or any precision a place is Uncertain and has no value."""
    assert Estimate(UNCERTAIN) == telling.location(conductance, place)


def test_a_place_needs_five_uncertainties_of_current() -> None:
    """From five uncertainties of the conductance on a place is told."""
    place = Measured(0.5, 1e-3)
    assert Estimate(GOOD, 0.5, 1e-3) == telling.location(Measured(5.01e-9, 1e-9), place)


def test_anywhere_is_the_whole_winding() -> None:
    """A place not known at all is the middle, rectangular over the winding (GUM 4.3.7)."""
    assert 0.5 == telling.ANYWHERE.value
    assert pytest.approx(float(np.std(np.linspace(0, 1, 100_001))), rel=1e-4) == telling.ANYWHERE.u
