"""Uncertainties put together, against the worked numbers of the GUM and other people's maths."""

from math import hypot, inf, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats  # type: ignore[import-untyped]
from uncertainties import correlated_values, ufloat  # type: ignore[import-untyped]

from gateway.rotor.combined_uncertainty import (
    Contribution,
    combined,
    coverage_factor,
    mean_of,
    propagated,
)
from gateway.rotor.measured import Measured

# GUM H.1.6, calibration of an end gauge: standard uncertainties in nm, degrees of freedom.
END_GAUGE = [
    Contribution(25.0, 18.0),
    Contribution(9.7, 25.6),
    Contribution(2.9, 50.0),
    Contribution(16.6, 2.0),
]
positive = st.floats(1e-12, 1e6)


def test_end_gauge_of_the_gum() -> None:
    """GUM H.1: u_c 31.67 nm (printed 32), nu_eff 16.7, t99(16) 2.92 and U99 93 nm."""
    whole = combined(END_GAUGE)
    assert 31.6711 == pytest.approx(whole.u, abs=5e-5)
    assert 16.765 == pytest.approx(whole.degrees_of_freedom, abs=5e-4)
    k = coverage_factor(whole.degrees_of_freedom, 0.99)
    assert 2.9208 == pytest.approx(k, abs=5e-5)
    assert 93 == round(k * 32)


@pytest.mark.parametrize("probability", [0.5, 0.6827, 0.9545, 0.99, 0.9973])
@pytest.mark.parametrize("degrees", [1, 2, 3, 4, 7, 16, 16.9, 50, 251, 999])
def test_coverage_factor_is_students(degrees: float, probability: float) -> None:
    """The factor is that of Student's t with truncated degrees, as another library has it."""
    expected = stats.t.ppf((1 + probability) / 2, int(degrees))
    assert expected == pytest.approx(coverage_factor(degrees, probability), rel=1e-9)


def test_many_degrees_are_normal() -> None:
    """Two standard uncertainties hold 95.45 % when nothing rests on few readings (GUM 6.3.3)."""
    assert 2.0 == pytest.approx(coverage_factor(inf), abs=1e-4)
    assert coverage_factor(999) == pytest.approx(coverage_factor(1000), rel=3e-3)


@given(st.lists(st.tuples(positive, st.floats(1, 1e4)), min_size=1, max_size=6), positive)
def test_combined_scales_and_stays_between(parts: list[tuple[float, float]], factor: float) -> None:
    """nu_eff lies between the fewest degrees and the sum of all, and knows no unit (GUM G.4.1)."""
    whole = combined(Contribution(u, nu) for u, nu in parts)
    scaled = combined(Contribution(u * factor, nu) for u, nu in parts)
    assert hypot(*(u for u, _ in parts)) == pytest.approx(whole.u)
    assert whole.degrees_of_freedom == pytest.approx(scaled.degrees_of_freedom)
    fewest, most = min(nu for _, nu in parts), sum(nu for _, nu in parts)
    assert fewest * (1 - 1e-9) <= whole.degrees_of_freedom <= most * (1 + 1e-9)


def test_nothing_uncertain() -> None:
    """Exact parts make an exact whole."""
    assert Contribution(0.0, inf) == combined([Contribution(0.0, 5.0)])
    assert Contribution(0.0, inf) == combined([])


def test_mean_of_readings() -> None:
    """Scatter is divided by sqrt(n) and joined with what the readings share."""
    # GUM 4.4.3: twenty temperatures, mean 100.14 (printed 100.145), s 1.489, s/sqrt(20) 0.333.
    readings = [96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07]
    readings += [100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72]
    alone = mean_of(readings, 0.0)
    assert 100.145 == pytest.approx(alone.mean.value, abs=5e-4)
    assert 0.333 == pytest.approx(alone.mean.u, abs=5e-4)
    assert 19.0 == pytest.approx(alone.degrees_of_freedom)
    joined = mean_of(readings, 0.333)
    assert 0.333 * sqrt(2) == pytest.approx(joined.mean.u, rel=1e-3)
    assert 4 * 19 == pytest.approx(joined.degrees_of_freedom, rel=2e-3)


def test_refusals_say_what_to_do() -> None:
    """Too few readings, degrees or an impossible probability are named, with the number."""
    with pytest.raises(ValueError, match="1 given, scatter needs two or more"):
        mean_of([1.0], 0.1)
    with pytest.raises(ValueError, match=r"0\.5 is below 1; .* two readings or more"):
        combined([Contribution(1.0, 0.5)])
    with pytest.raises(ValueError, match="degrees of freedom: 0 is below 1"):
        coverage_factor(0)
    with pytest.raises(ValueError, match=r"1 is not between 0 and 1; 0\.9545 gives k = 2"):
        coverage_factor(5, 1.0)


def test_worked_fault_resistance_and_location() -> None:
    """36 V, 31 kohm, 300 V, 1 uA of noise: u(Rf) 61.623 ohm and u(alpha) 1.7705e-3."""
    # Worked numbers made apart from this code, and by Monte Carlo: 61.66 ohm and 1.7709e-3.
    e, r0, uf = 36.0, 31e3, 300.0
    i_p, i_n = ((s + (0.2 - 0.5) * uf) / 51e3 for s in (e, -e))
    inputs = [
        Measured(e, e * 1e-3 / sqrt(3)),
        Measured(r0, r0 * 1e-3 / sqrt(3)),
        Measured(uf, uf * 1e-2 / sqrt(3)),
        Measured(i_p, 1e-6),
        Measured(i_n, 1e-6),
    ]
    rf = propagated(lambda e, r0, uf, p, n: 2 * e / (p - n) - r0, inputs)
    place = propagated(lambda e, r0, uf, p, n: 0.5 + e * (p + n) / (uf * (p - n)), inputs)
    assert (20e3, 0.2) == pytest.approx((rf.value, place.value))
    assert 61.623 == pytest.approx(rf.u, rel=1e-4)
    assert 1.7705e-3 == pytest.approx(place.u, rel=2e-4)


def test_propagation_agrees_with_another_library() -> None:
    """Correlated inputs of a smooth function give what automatic differentiation gives."""
    values, u, r = [3.0, 0.4, 7.0], [1e-4, 2e-5, 3e-4], 0.7
    correlation = np.array([[1, r, 0], [r, 1, -0.2], [0, -0.2, 1]])
    covariance = correlation * np.outer(u, u)
    a, b, c = correlated_values(values, covariance)
    inputs = [Measured(v, s) for v, s in zip(values, u, strict=True)]
    found = propagated(lambda a, b, c: a * b / (c - a) + b**2, inputs, correlation)
    expected = a * b / (c - a) + b**2
    assert expected.n == pytest.approx(found.value)
    assert expected.s == pytest.approx(found.u, rel=1e-6)


def test_full_correlation_cancels() -> None:
    """A difference of two numbers that err together has no uncertainty (GUM 5.2.2)."""
    one = Measured(5.0, 0.3)
    found = propagated(lambda a, b: a - b, [one, one], np.ones((2, 2)))
    assert 0.0 == pytest.approx(found.u, abs=1e-9)


def test_bending_functions_are_told_beyond_first_order() -> None:
    """A square at zero has no slope and yet an uncertainty, the one of chi-square: sqrt(2)*u^2."""
    assert sqrt(2) == pytest.approx(propagated(lambda x: x * x, [Measured(0.0, 1.0)]).u)
    draws = 1 / np.random.default_rng(1).normal(8.0, 1.0, 400_000)
    found = propagated(lambda x: 1 / x, [Measured(8.0, 1.0)])
    assert float(np.std(draws)) == pytest.approx(found.u, rel=0.01)


def test_linear_functions_are_exact() -> None:
    """Where nothing bends it is the root of the sum of squares."""
    a, b = ufloat(1.0, 0.3), ufloat(2.0, 0.4)
    found = propagated(lambda a, b: 2 * a - 3 * b, [Measured(1.0, 0.3), Measured(2.0, 0.4)])
    assert (2 * a - 3 * b).s == pytest.approx(found.u, rel=1e-12)


def test_a_pole_within_reach_is_infinitely_uncertain() -> None:
    """What a function does not bear is not passed off as a number."""
    found = propagated(lambda x: inf if x <= 0 else 1 / x, [Measured(1.0, 1.0)])
    assert inf == found.u
