"""Whether two series go together: rank tests that know of time and of dependence.

Spearman's correlation with other series held fixed, and the two-sample test of Mann and Whitney.
Refuses to say what causes what.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atanh, sqrt

import numpy as np
import numpy.typing as npt

from gateway.diagnosis.mann_kendall import two_sided

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Correlation:
    """Spearman's correlation with its two-sided p."""

    rho: float
    p_value: float


@dataclass(frozen=True, slots=True)
class MannWhitney:
    """U of the first sample, Z with the correction of continuity, two-sided p."""

    u: float
    z: float
    p_value: float


def ranks(values: Sequence[float]) -> Numbers:
    """1 for the lowest; equal values share the mean of their ranks."""
    _, places, sizes = np.unique(np.asarray(values, float), return_inverse=True, return_counts=True)
    ends = np.cumsum(sizes)
    means: Numbers = ends - (sizes - 1) / 2
    return means[places]


def partial_spearman(
    x: Sequence[float], y: Sequence[float], held: Sequence[Sequence[float]] = ()
) -> Correlation | None:
    """The correlation of the ranks of x and y after those of `held` are taken out of both.

    None where one of them does not vary or there are too few points. p by Fisher's transform with
    the variance 1.06/(n - 3 - k) of ranks; n is lowered to n(1 - ab)/(1 + ab) where a and b are
    the lag-1 correlations of the two and both are above zero.

    Source: Fieller, Hartley and Pearson, Biometrika 44 (1957) 470, for 1.06; Bartlett, J. R. Stat.
    Soc. 98 (1935) 536, for dependence.
    """
    n = len(x)
    a, b = _without(ranks(x), held), _without(ranks(y), held)
    if a is None or b is None:
        return None
    rho = min(max(float(a @ b), -1.0), 1.0)
    left = n * _independent_share(a, b) - 3 - len(held)
    if left <= 1:
        return None
    clear = min(abs(rho), 1 - 1e-12)
    return Correlation(rho, two_sided(atanh(clear) * sqrt(left / 1.06)))


def mann_whitney(
    first: Sequence[float], second: Sequence[float], variance_inflation: float = 1.0
) -> MannWhitney:
    """Whether values of one sample are above those of the other; p = 1 where all are equal.

    Source: Mann and Whitney, Ann. Math. Stat. 18 (1947) 50; normal approximation with ties.
    """
    m, n = len(first), len(second)
    together = [*first, *second]
    u = float(ranks(together)[:m].sum()) - m * (m + 1) / 2
    _, sizes = np.unique(np.asarray(together, float), return_counts=True)
    total = m + n
    tied = float((sizes**3 - sizes).sum()) / (total * (total - 1))
    variance = m * n / 12 * (total + 1 - tied) * variance_inflation
    away = abs(u - m * n / 2) - 0.5
    if variance <= 0 or away <= 0:
        return MannWhitney(u, 0.0, 1.0)
    z = away / sqrt(variance) * (1 if u > m * n / 2 else -1)
    return MannWhitney(u, z, two_sided(z))


def dependence_inflation(x: Sequence[float], y: Sequence[float]) -> float:
    """By how much dependence in time inflates the variance of a comparison of x and y."""
    a, b = _without(ranks(x), ()), _without(ranks(y), ())
    return 1.0 if a is None or b is None else 1 / _independent_share(a, b)


def _without(own: Numbers, held: Sequence[Sequence[float]]) -> Numbers | None:
    """What is left of ranks, of mean zero and length one; None where nothing is left."""
    columns = np.column_stack([np.ones(len(own)), *(ranks(h) for h in held)])
    fitted, *_ = np.linalg.lstsq(columns, own, rcond=None)
    rest = own - columns @ fitted
    length = float(np.sqrt(rest @ rest))
    # Of ranks of n values the whole length is n^1.5/sqrt(12); rounding is far below a millionth.
    if length <= 1e-6 * max(len(own), 1) ** 1.5:
        return None
    found: Numbers = rest / length
    return found


def _independent_share(a: Numbers, b: Numbers) -> float:
    product = max(float(a[1:] @ a[:-1]), 0.0) * max(float(b[1:] @ b[:-1]), 0.0)
    return (1 - product) / (1 + product)
