"""Whether a series rises or falls at all: the rank test of Mann and Kendall.

Knows order only, not size. Refuses to say how fast: that is `gateway.diagnosis.theil_sen`.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from math import comb, erfc, prod, sqrt
from typing import Final

import numpy as np

EXACT_UP_TO: Final = 10  # points; Gilbert 1987, 16.4: above it the normal approximation does
LAG_1_LEAST: Final = 20  # points; of fewer, chance gives any lag-1 correlation; see the tests
LAG_1_MOST: Final = 0.9  # beyond it a window of this length tells nothing; common practice


@dataclass(frozen=True, slots=True)
class MannKendall:
    """S, its variance without a trend, Z with the correction of continuity, two-sided p."""

    s: int
    variance: float
    z: float
    p_value: float


def mann_kendall(
    values: Sequence[float], variance_inflation: float = 1.0, exact_up_to: int = EXACT_UP_TO
) -> MannKendall:
    """The test of values in the order of their times; S = 0 and p = 1 where all are equal.

    Up to `exact_up_to` values p comes from the exact distribution of S, ties included; above from
    Z. `variance_inflation` multiplies the variance where values depend on their forerunners; the
    exact distribution knows nothing of it.

    Source: Gilbert (1987), 16.4; Kendall, Rank Correlation Methods, for ties.
    """
    x = np.asarray(values, float)
    n = len(x)
    first, second = np.triu_indices(n, 1)
    s = int(np.sign(x[second] - x[first]).sum())
    _, sizes = np.unique(x, return_counts=True)
    ties = [int(t) for t in sizes]
    open_pairs = n * (n - 1) * (2 * n + 5) - sum(t * (t - 1) * (2 * t + 5) for t in ties)
    variance = open_pairs / 18 * variance_inflation
    z = _z(s, variance)
    p = _exact(s, tuple(sorted(ties))) if n <= exact_up_to else two_sided(z)
    return MannKendall(s, variance, z, p)


def combined(tests: Iterable[MannKendall]) -> MannKendall:
    """Independent stretches as one: S and variances add up.

    Source: Hirsch, Slack and Smith, Water Resour. Res. 18 (1982) 107 (seasonal Kendall test).
    """
    parts = list(tests)
    s, variance = sum(t.s for t in parts), sum(t.variance for t in parts)
    z = _z(s, variance)
    return MannKendall(s, variance, z, two_sided(z))


def two_sided(z: float) -> float:
    """The chance of a normal deviate of at least this size, either way."""
    return erfc(abs(z) / sqrt(2))


def lag_1_inflation(residuals: Sequence[float]) -> float:
    """By how much dependence on the forerunner inflates the variance of S; 1 where none is seen.

    (1 + r)/(1 - r) with r the lag-1 correlation of the residuals of the line, corrected for its
    bias; counted only from 20 points on, and if it is above its one-sided 5 % point without
    dependence. Assumes points at even distances.

    Source: Yue and Wang, Water Resour. Manag. 18 (2004) 201, for the long-series limit of a
    first-order process; the bias after Kendall and Stuart.
    """
    x = np.asarray(residuals, float)
    n = len(x)
    if n < LAG_1_LEAST:
        return 1.0
    x = x - x.mean()
    power = float(x @ x)
    if power == 0.0:
        return 1.0
    r = (n * float(x[1:] @ x[:-1]) / power + 2) / (n - 4)
    if r <= 1.645 * sqrt(n) / (n - 4):
        return 1.0
    r = min(r, LAG_1_MOST)
    return (1 + r) / (1 - r)


def _z(s: int, variance: float) -> float:
    if s == 0 or variance <= 0:
        return 0.0
    return (s - (1 if s > 0 else -1)) / sqrt(variance)


def _exact(s: int, ties: tuple[int, ...]) -> float:
    """P(|S| at least |s|) over all orders of the values, each equally likely."""
    counts = _orders_by_inversions(ties)
    # S is the number of pairs that can differ less two for each one in falling order.
    pairs = len(counts) - 1
    extreme = sum(c for falling, c in enumerate(counts) if abs(pairs - 2 * falling) >= abs(s))
    return extreme / sum(counts)


@cache
def _orders_by_inversions(ties: tuple[int, ...]) -> tuple[int, ...]:
    """How many orders have 0, 1, 2, ... falling pairs: a product of Gaussian binomials."""
    total, counts = 0, [1]
    for t in ties:
        total += t
        counts = _times(counts, _gaussian(total, t))
    if sum(counts) != prod(comb(sum(ties[: i + 1]), t) for i, t in enumerate(ties)):
        raise AssertionError("the orders do not add up")
    return tuple(counts)


@cache
def _gaussian(n: int, k: int) -> tuple[int, ...]:
    """Coefficients of the Gaussian binomial: [n, k] = [n-1, k-1] + q^k [n-1, k]."""
    if k in (0, n):
        return (1,)
    found = [0] * (k * (n - k) + 1)
    for power, count in enumerate(_gaussian(n - 1, k - 1)):
        found[power] += count
    for power, count in enumerate(_gaussian(n - 1, k)):
        found[power + k] += count
    return tuple(found)


def _times(a: Sequence[int], b: Sequence[int]) -> list[int]:
    found = [0] * (len(a) + len(b) - 1)
    for i, x in enumerate(a):
        for j, y in enumerate(b):
            found[i + j] += x * y
    return found
