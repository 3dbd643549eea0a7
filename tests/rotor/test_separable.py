"""The fit of curves that are linear in most parameters, against certified and textbook values."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import log10

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import least_squares  # type: ignore[import-untyped]

from gateway.rotor.separable import Curve, Fit, fit

Floats = NDArray[np.float64]
Curves = Callable[[Floats], Curve]


def decays(x: Floats, constant: bool = False) -> Curves:
    """A sum of b exp(-rate x), and a constant before them."""

    def curve(rates: Floats) -> Curve:
        left = np.exp(-np.outer(rates, x))
        columns = np.vstack([np.ones_like(x), left]) if constant else left
        slopes = np.zeros((len(rates), len(columns), len(x)))
        for k in range(len(rates)):
            slopes[k, k + constant] = -x * left[k]
        return Curve(np.zeros_like(x), columns, np.zeros((len(rates), len(x))), slopes)

    return curve


def growth(x: Floats) -> Curves:
    """b (1 - exp(-rate x))."""

    def curve(rates: Floats) -> Curve:
        left = np.exp(-rates[0] * x)
        nothing = np.zeros((1, len(x)))
        return Curve(nothing[0], (1 - left)[None], nothing, (x * left)[None, None])

    return curve


def numbers(text: str) -> Floats:
    return np.array([float(word) for word in text.split()])


@dataclass(frozen=True, slots=True, eq=False)
class Certified:
    """A data set with its certified fit: linear parameters, then rates, then deviations."""

    curve: Curves
    y: Floats
    starts: tuple[tuple[float, ...], tuple[float, ...]]
    parameters: tuple[float, ...]
    deviations: tuple[float, ...]
    residual: float


# NIST Statistical Reference Datasets, nonlinear regression (public): data, both published starts
# of the rates (the linear parameters need none), certified values.
MISRA = numbers(
    "77.6 10.07 114.9 14.73 141.1 17.94 190.8 23.93 239.9 29.61 289.0 35.18 332.8 40.02 378.4 44.82"
    " 434.8 50.76 477.3 55.05 536.8 61.01 593.1 66.40 689.1 75.47 760.0 81.78"
).reshape(-1, 2)
BOXBOD = numbers("1 109 2 149 3 149 5 191 7 213 10 224").reshape(-1, 2)
MGH17_Y = numbers(
    ".844 .908 .932 .936 .925 .908 .881 .850 .818 .784 .751 .718 .685 .658 .628 .603 .580 .558 .538"
    " .522 .506 .490 .478 .467 .457 .448 .438 .431 .424 .420 .414 .411 .406"
)
LANCZOS_Y = numbers(
    "2.5134 2.0443 1.6684 1.3664 1.1232 .9269 .7679 .6389 .5338 .4479 .3776 .3197 .2720 .2325 .1997"
    " .1723 .1493 .1301 .1138 .1000 .0883 .0783 .0698 .0624"
)
CERTIFIED = {
    "Misra1a": Certified(
        growth(MISRA[:, 0]),
        MISRA[:, 1],
        ((1e-4,), (5e-4,)),
        (238.94212918, 5.5015643181e-4),
        (2.7070075, 7.2668688e-6),
        0.10187876330,
    ),
    "BoxBOD": Certified(
        growth(BOXBOD[:, 0]),
        BOXBOD[:, 1],
        ((1.0,), (0.75,)),
        (213.80940889, 0.54723748542),
        (12.354515, 0.10455993),
        17.088072423,
    ),
    "MGH17": Certified(
        decays(np.arange(33) * 10.0, constant=True),
        MGH17_Y,
        ((1.0, 2.0), (0.01, 0.02)),
        (0.37541005211, 1.9358469127, -1.4646871366, 0.012867534640, 0.022122699662),
        (2.0723153551e-3, 0.22031669222, 0.22175707739, 4.4861358114e-4, 8.9471996575e-4),
        1.3970497866e-3,
    ),
    "Lanczos3": Certified(
        decays(np.arange(24) * 0.05),
        LANCZOS_Y,
        ((0.3, 5.5, 7.6), (0.7, 4.2, 6.3)),
        (
            *(0.086816414977, 0.84400777463, 1.5825685901),
            *(0.95498101505, 2.9515951832, 4.9863565084),
        ),
        (
            *(1.7197908859e-2, 4.1488663282e-2, 5.8371576281e-2),
            *(9.7041624475e-2, 1.0766312506e-1, 3.4436403035e-2),
        ),
        2.9923229172e-5,
    ),
}
each_start = pytest.mark.parametrize("start", [0, 1])
each_set = pytest.mark.parametrize("name", CERTIFIED)


def certified_fit(name: str, start: int) -> Fit:
    known = CERTIFIED[name]
    return fit(known.curve, np.array(known.starts[start]), known.y)


def sorted_by_rate(found: Fit, values: Floats) -> Floats:
    """Linear values, then those of the rates, in the order of rising rates."""
    order = np.argsort(found.nonlinear)
    constants = len(found.linear) - len(order)
    linear = values[: len(found.linear)]
    return np.concatenate(
        (linear[:constants], linear[constants:][order], values[len(found.linear) :][order])
    )


def digits(expected: tuple[float, ...], actual: Floats) -> float:
    """Digits that agree in the worst of the values (StRD's logarithmic relative error)."""
    wrong = np.max(np.abs(actual / np.array(expected) - 1))
    return -log10(max(float(wrong), 1e-16))


@each_set
@each_start
def test_certified_parameters(name: str, start: int) -> None:
    """From both published starts all parameters agree with the certified ones in six digits."""
    found = certified_fit(name, start)
    parameters = np.concatenate((found.linear, found.nonlinear))
    assert found.converged
    assert digits(CERTIFIED[name].parameters, sorted_by_rate(found, parameters)) >= 6


@each_set
@each_start
def test_certified_deviations(name: str, start: int) -> None:
    """Covariance times variance gives the certified standard deviations in five digits.

    In six for the residual's, which is certified too.
    """
    found, known = certified_fit(name, start), CERTIFIED[name]
    variance = found.squares / (len(known.y) - len(known.parameters))
    deviations = np.sqrt(variance * np.diag(found.unscaled_covariance))
    assert digits((known.residual,), np.array([variance**0.5])) >= 6
    assert digits(known.deviations, sorted_by_rate(found, deviations)) >= 5


@pytest.mark.parametrize(
    ("window", "deviations"),
    [
        # Worked Cramer-Rao bounds for A + B exp(-t/tau), 200 samples, A 1, B 2, tau 0.1 s, noise
        # 0.01: the inverse of the information matrix (S. Kay, Estimation Theory).
        (8, (9.970755e-04, 3.846207e-03, 3.387284e-04)),
        (5, (1.385414e-03, 3.096619e-03, 3.374539e-04)),
        (3, (2.649046e-03, 2.763605e-03, 4.256260e-04)),
        (2, (5.240226e-03, 4.315726e-03, 6.160442e-04)),
        (1, (1.943871e-02, 1.799098e-02, 1.545272e-03)),
    ],
)
def test_covariance_at_the_truth_is_the_cramer_rao_bound(
    window: int, deviations: tuple[float, ...]
) -> None:
    """Without noise the covariance is the inverse of the information matrix."""
    times = np.arange(200) * (window * 0.1 / 200)
    exact = 1 + 2 * np.exp(-times / 0.1)
    found = fit(decays(times, constant=True), np.array([14.0]), exact)
    spread = 0.01 * np.sqrt(np.diag(found.unscaled_covariance))
    spread[2] *= 0.1**2  # of the time constant, from that of the rate
    assert pytest.approx(deviations, rel=1e-6) == spread


def test_the_spread_of_many_fits_is_the_bound() -> None:
    """Fits of one curve with noise scatter as their own covariance says."""
    times = np.arange(200) * (0.3 / 200)
    exact = 1 + 2 * np.exp(-times / 0.1)
    random, ends = np.random.default_rng(8), []
    for _ in range(400):
        noisy = exact + random.normal(0, 0.01, 200)
        ends.append(fit(decays(times, constant=True), np.array([10.0]), noisy).linear[0])
    # 400 draws tell a standard deviation within 3.5 %; three of these.
    assert pytest.approx(2.649046e-03, rel=0.11) == np.std(ends)
    assert pytest.approx(1.0, abs=4 * 2.65e-3 / 20) == np.mean(ends)


@settings(max_examples=200)
@given(
    # Clear of the noise: where nothing decays to be seen there are many minima.
    st.floats(0.3, 5.0),
    st.floats(-5.0, 5.0),
    st.floats(0.5, 5.0),
    st.floats(-1.0, 1.0),
    st.integers(0, 2**32 - 1),
)
def test_no_other_method_finds_fewer_squares(
    rate: float, level: float, size: float, off: float, seed: int
) -> None:
    """A general least-squares solver that starts at the truth finds nothing better nearby."""
    times = np.linspace(0, 4, 60)
    y = level + size * np.exp(-rate * times) + np.random.default_rng(seed).normal(0, 0.01, 60)
    found = fit(decays(times, constant=True), np.array([rate * np.exp(off)]), y)
    other = least_squares(
        lambda p: p[0] + p[1] * np.exp(-np.clip(p[2], -50, 50) * times) - y,
        (level, size, rate),
        xtol=1e-12,
        ftol=1e-12,
    )
    assert found.squares <= 2 * other.cost * (1 + 1e-6)


def test_what_is_fixed_is_taken_off_first() -> None:
    """An offset that depends on the nonlinear parameter takes part, with its slope."""
    times = np.linspace(0, 3, 50)

    def curve(rates: Floats) -> Curve:
        left = np.exp(-rates[0] * times)
        ones = np.ones((1, len(times)))
        slope = (-times * left)[None]
        return Curve(2 * left, ones, 2 * slope, np.zeros((1, 1, len(times))))

    found = fit(curve, np.array([0.3]), 2 * np.exp(-1.7 * times) - 5)
    assert pytest.approx(1.7, rel=1e-9) == found.nonlinear[0]
    assert pytest.approx(-5.0, rel=1e-9) == found.linear[0]
    assert found.converged
    # Slopes: linear ones first; the inverse of their product is the covariance.
    assert (2, 50) == found.slopes.shape
    expected = np.linalg.inv(found.slopes @ found.slopes.T)
    assert pytest.approx(expected, rel=1e-6) == found.unscaled_covariance


def test_columns_that_cannot_be_told_apart() -> None:
    """Two equal columns share what they explain, and each of them is told to be unknown."""
    times = np.linspace(0, 3, 80)

    def curve(rates: Floats) -> Curve:
        left = np.exp(-rates[0] * times)
        slope = -times * left
        nothing = np.zeros((1, len(times)))
        columns, slopes = np.array([left, left]), np.array([[slope, slope]])
        return Curve(nothing[0], columns, nothing, slopes)

    y = 4 * np.exp(-1.3 * times)
    found = fit(curve, np.array([0.9]), y)
    assert pytest.approx(1.3, rel=1e-6) == found.nonlinear[0]
    assert pytest.approx(4.0, rel=1e-6) == found.linear.sum()
    assert pytest.approx(2.0, rel=0.05) == found.linear[0]
    assert found.squares < 1e-12
    variances = np.diag(found.unscaled_covariance)
    assert (variances[:2] > 1e6 * variances[2]).all()
    # What is told is told well: the sum of both.
    assert (np.ones(2) @ found.unscaled_covariance[:2, :2] @ np.ones(2)) < 1e-3 * variances[0]


def test_a_nonlinear_parameter_without_trace() -> None:
    """Where nothing decays, the rate is told to be unknown and the rest as it is."""
    times = np.linspace(0, 3, 80)
    y = 2.5 + np.random.default_rng(1).normal(0, 1e-3, 80)
    # A rate that is long over before the second sample.
    found = fit(decays(times[1:], constant=True), np.array([1e4]), y[1:])
    assert pytest.approx(2.5, abs=5e-4) == found.linear[0]
    assert np.isfinite(found.unscaled_covariance).all()
    assert pytest.approx(1 / 79, rel=1e-6) == found.unscaled_covariance[0, 0]


def test_nothing_at_all_is_no_error() -> None:
    """No column, no current: zero, and no news."""
    nothing = np.zeros((1, 20))
    found = fit(
        lambda _: Curve(nothing[0], nothing, nothing, nothing[None]), np.array([1.0]), np.zeros(20)
    )
    assert (0.0, 1.0, 0.0, True) == (
        found.linear[0],
        found.nonlinear[0],
        found.squares,
        found.converged,
    )


@pytest.mark.parametrize(
    ("bounds", "expected"), [((0.5, 1.5), 1.5), ((3.0, 9.0), 3.0), ((0.1, 9.0), 2.0)]
)
def test_bounds_hold(bounds: tuple[float, float], expected: float) -> None:
    """Nonlinear parameters end at the bound where the best lies beyond it, never outside."""
    times = np.linspace(0, 3, 60)
    asked: list[float] = []

    def curve(rates: Floats) -> Curve:
        asked.append(float(rates[0]))
        return decays(times)(rates)

    start = np.array([sum(bounds) / 2])
    found = fit(curve, start, 3 * np.exp(-2 * times), bounds=bounds)
    assert pytest.approx(expected, rel=1e-6) == found.nonlinear[0]
    assert bounds[0] <= min(asked) <= max(asked) <= bounds[1]
    # At the bound the linear parameters are still the best ones.
    left = np.exp(-expected * times)
    assert pytest.approx(3 * np.exp(-2 * times) @ left / (left @ left), rel=1e-6) == found.linear[0]


def test_units_do_not_matter() -> None:
    """Points a billion times smaller give coefficients a billion times smaller, same rates."""
    known = CERTIFIED["MGH17"]
    start = np.array(known.starts[1])
    one, small = fit(known.curve, start, known.y), fit(known.curve, start, 1e-9 * known.y)
    assert pytest.approx(one.nonlinear, rel=1e-7) == small.nonlinear
    assert pytest.approx(1e-9 * one.linear, rel=1e-7) == small.linear
    assert pytest.approx(1e-18 * one.squares, rel=1e-7) == small.squares


def test_too_few_steps_are_said() -> None:
    """A fit that was stopped before it was done says so."""
    known = CERTIFIED["MGH17"]
    found = fit(known.curve, np.array(known.starts[0]), known.y, most_steps=2)
    assert not found.converged


@given(
    st.lists(st.floats(-1e100, 1e100), min_size=12, max_size=12),
    st.floats(-150.0, 1e6),
    st.booleans(),
)
def test_any_points_are_borne(y: list[float], start: float, constant: bool) -> None:
    """Points of any size whose squares are numbers end in a fit, wild starts too."""
    found = fit(decays(np.linspace(0, 1, 12), constant), np.array([start]), np.array(y))
    assert np.isfinite(found.nonlinear).all()
    assert not (found.squares < 0)
