"""Standard uncertainties put together: through a function, with degrees of freedom, into a factor.

Works on numbers whose uncertainties are known. Refuses to invent degrees of freedom.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import cos, inf, isfinite, pi, sin, sqrt
from statistics import NormalDist, fmean, stdev

import numpy as np
from numpy.typing import NDArray

from gateway.rotor.measured import Measured

# Where the third-order Gauss-Hermite rule looks, in standard uncertainties.
_REACH = sqrt(3.0)
# From here on the t-distribution is the normal one to better than a thousandth (GUM table G.2).
_MANY = 1000
_BISECTIONS = 60


@dataclass(frozen=True, slots=True)
class Contribution:
    """One standard uncertainty, in the unit of the result, and its degrees of freedom."""

    u: float
    degrees_of_freedom: float = inf


@dataclass(frozen=True, slots=True)
class Repeated:
    """A mean of repeated readings with everything that makes it uncertain."""

    mean: Measured
    degrees_of_freedom: float = inf


def combined(contributions: Iterable[Contribution]) -> Contribution:
    """The combined standard uncertainty of independent contributions, with nu_eff.

    Source: GUM (JCGM 100:2008) 5.1.2 and, for the effective degrees of freedom, the
    Welch-Satterthwaite formula G.2b. Without any uncertainty the degrees are infinite. Raises
    ValueError for degrees of freedom below one.
    """
    parts = tuple(contributions)
    for part in parts:
        if not part.degrees_of_freedom >= 1:
            raise ValueError(
                f"degrees of freedom of a contribution: {part.degrees_of_freedom:g} is below 1; "
                "an uncertainty from n readings has n - 1, so give two readings or more"
            )
    largest = max((part.u for part in parts), default=0.0)
    if largest == 0:
        return Contribution(0.0)
    # Relative to the largest, so that fourth powers of small currents do not vanish.
    squares = sum((part.u / largest) ** 2 for part in parts)
    spread = sum((part.u / largest) ** 4 / part.degrees_of_freedom for part in parts)
    return Contribution(largest * sqrt(squares), squares**2 / spread if spread > 0 else inf)


def mean_of(readings: Sequence[float], common_u: float) -> Repeated:
    """Mean of repeated readings (type A) joined with what they all share (type B, `common_u`).

    Source: GUM 4.2.3 (u of a mean is s/sqrt(n) with n - 1 degrees of freedom) and 5.1.2. Raises
    ValueError for fewer than two readings.
    """
    if len(readings) < 2:
        raise ValueError(
            f"mean of repeated readings: {len(readings)} given, scatter needs two or more"
        )
    n = len(readings)
    whole = combined((Contribution(stdev(readings) / sqrt(n), n - 1.0), Contribution(common_u)))
    return Repeated(Measured(fmean(readings), whole.u), whole.degrees_of_freedom)


def coverage_factor(degrees_of_freedom: float, probability: float = 0.9545) -> float:
    """The factor k for an interval of this probability, from Student's t-distribution.

    Source: GUM G.3.2 and G.6.4; degrees of freedom that are no whole number are truncated (G.4.1,
    note 1). The distribution in closed form is 26.7.3 and 26.7.4 of Abramowitz and Stegun,
    Handbook of Mathematical Functions. Raises ValueError for degrees below one or a probability
    that is not between zero and one.
    """
    if not 0 < probability < 1:
        raise ValueError(
            f"coverage probability: {probability:g} is not between 0 and 1; 0.9545 gives k = 2"
        )
    if not degrees_of_freedom >= 1:
        raise ValueError(f"degrees of freedom: {degrees_of_freedom:g} is below 1")
    normal = NormalDist().inv_cdf((1 + probability) / 2)
    if degrees_of_freedom >= _MANY:
        return normal
    degrees = int(degrees_of_freedom)
    # t = sqrt(nu)*tan(theta): the search runs over the angle, which has an end.
    low, high = 0.0, pi / 2
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        if _within(middle, degrees) < probability:
            low = middle
        else:
            high = middle
    return sqrt(degrees) * sin(low) / cos(low)


def _within(theta: float, degrees: int) -> float:
    """Probability that abs(T) is below sqrt(nu)*tan(theta)."""
    c, s = cos(theta), sin(theta)
    if degrees % 2:
        term, total = c, 0.0
        for k in range(1, degrees - 1, 2):
            total += term
            term *= c * c * (k + 1) / (k + 2)
        return 2 / pi * (theta + s * total)
    term, total = 1.0, 0.0
    for k in range(0, degrees - 1, 2):
        total += term
        term *= c * c * (k + 1) / (k + 2)
    return s * total


def propagated(
    function: Callable[..., float],
    inputs: Sequence[Measured],
    correlation: NDArray[np.float64] | None = None,
) -> Measured:
    """The value of a function of uncertain inputs, and its standard uncertainty.

    Source: law of propagation, GUM 5.1.2 and 5.2.2, evaluated by differences of the function
    instead of derivatives (5.1.3, note 2). The differences reach sqrt(3)*u, which takes along the
    terms of higher order that 5.1.2, note, asks for where a function bends within u: they are exact
    to the fourth power of u for one normal input (three-point Gauss-Hermite rule). Products of
    uncertainties of two inputs are left out. `correlation` holds the correlation coefficients of
    the inputs; None for independent ones. The function must bear inputs sqrt(3)*u away; an
    uncertainty that it does not bear there is infinite.
    """
    values = np.array([m.value for m in inputs])
    scales = np.diag([m.u for m in inputs])
    if correlation is not None:
        # Independent directions: the symmetric root also bears full correlation.
        weights, axes = np.linalg.eigh(correlation)
        scales = scales @ axes @ np.diag(np.sqrt(np.clip(weights, 0.0, None)))
    at = function(*values.tolist())
    variance = 0.0
    for direction in scales.T:
        if not direction.any():
            continue
        above = function(*(values + _REACH * direction).tolist())
        below = function(*(values - _REACH * direction).tolist())
        slope = (above - below) / (2 * _REACH)
        bend = (above + below - 2 * at) / (2 * _REACH**2)
        variance += slope**2 + 2 * bend**2
    return Measured(at, sqrt(variance) if isfinite(variance) else inf)
