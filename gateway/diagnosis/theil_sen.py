"""The slope of a noisy series by Theil and Sen, with its 95 % interval.

Outliers up to 29 % of the points do not move it. Refuses to say whether the slope is real: that is
the business of `gateway.diagnosis.mann_kendall`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt
from typing import Final

import numpy as np
import numpy.typing as npt

Z_95: Final = 1.959963984540054  # two-sided 95 % point of the normal distribution


@dataclass(frozen=True, slots=True)
class Slope:
    """A slope in y per x with its 95 % interval, and its line: `level` is its y at the median x."""

    value: float
    low: float
    high: float
    median_x: float
    level: float

    @property
    def intercept(self) -> float:
        """y of the line at x = 0."""
        return self.level - self.value * self.median_x

    def at(self, x: float) -> float:
        """y of the line."""
        return self.level + self.value * (x - self.median_x)


def through_all(slope: Slope, x: Sequence[float], y: Sequence[float]) -> Slope:
    """The same slope with its line through the median of the residuals of all points.

    The median of y rests on the few points in the middle of a steep series, whose scatter it has;
    times to a limit need the level that all points together tell.

    Source: Conover, Practical Nonparametric Statistics, on the choice; `joint` intercept of scipy.
    """
    level = np.median(np.asarray(y, float) - slope.value * (np.asarray(x, float) - slope.median_x))
    return replace(slope, level=float(level))


def theil_sen(
    x: Sequence[float], y: Sequence[float], variance_inflation: float = 1.0
) -> Slope | None:
    """The median of the slopes of all pairs of points; None for fewer than two different x.

    The line goes through the two medians.

    The interval is that of the ranks that Kendall's S leaves open at 95 %, with ties in x and y
    taken into account. `variance_inflation` (1 or more) widens it where the points depend on each
    other.

    Source: Sen, J. Am. Stat. Assoc. 63 (1968) 1379; Gilbert, Statistical Methods for Environmental
    Pollution Monitoring (1987), 16.5. Raises ValueError for x and y of different length.
    """
    if len(x) != len(y):
        raise ValueError(f"{len(x)} values of x and {len(y)} of y; each point needs both")
    xs, ys = np.asarray(x, float), np.asarray(y, float)
    first, second = np.triu_indices(len(xs), 1)
    dx = xs[second] - xs[first]
    apart = dx != 0
    if not apart.any():
        return None
    slopes = (ys[second] - ys[first])[apart] / dx[apart]
    n = len(xs)
    pairs = n * (n - 1) * (2 * n + 5) - _tied(xs) - _tied(ys)
    # Ties of both kinds may take away more than there is; then nothing is left open.
    sigma = sqrt(max(0.0, pairs / 18 * variance_inflation))
    count = len(slopes)
    low = max(round((count - Z_95 * sigma) / 2) - 1, 0)
    high = min(round((count + Z_95 * sigma) / 2), count - 1)
    middle = (count - 1) // 2, count // 2
    slopes.partition((low, *middle, high))
    return Slope(
        float(slopes[middle[0]] + slopes[middle[1]]) / 2,
        float(slopes[low]),
        float(slopes[high]),
        float(np.median(xs)),
        float(np.median(ys)),
    )


def _tied(values: npt.NDArray[np.float64]) -> int:
    """The sum of t(t-1)(2t+5) over groups of t equal values."""
    _, sizes = np.unique(values, return_counts=True)
    return int((sizes * (sizes - 1) * (2 * sizes + 5)).sum())
