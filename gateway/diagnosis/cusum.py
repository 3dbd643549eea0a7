"""Whether and when a series stepped to another level: cumulative sums.

Refuses to call a single outlier a step, and a slow slope one that fits a line better.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

import numpy as np
import numpy.typing as npt

ALLOWANCE: Final = 0.5  # K, in sigma: tuned to steps of one sigma; usual
# H in sigma. 4 to 5 is usual for watching without end; a window of some hundred points that is
# searched anew with each point needs more, or every third healthy window would have a step.
DECISION: Final = 10.0
_OUTLIER: Final = 4.0  # sigma; no single value counts for more
_LEAST_SIDE: Final = 4  # points on either side of a step
# Least difference of the two medians, in standard deviations of a difference of means; a median
# has 1.25 of them, and the best of many places is taken. Found by simulation, see the tests.
_CONTRAST: Final = 7.0
_LAG_1_MOST: Final = 0.8
SIGMA_PER_MAD: Final = 1.482602218505602  # of a normal distribution


@dataclass(frozen=True, slots=True)
class Step:
    """A change of level: the first index after it, the medians on its sides, how sure."""

    index: int
    before: float
    after: float
    sigma: float  # of the level of single values, dependence included
    largest_sum: float  # of the two cumulative sums, in sigma


def tabular(
    values: Sequence[float], target: float, allowance: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """The upper and the lower cumulative sum after each value.

    S_H = max(0, x - (target + K) + S_H), S_L = max(0, (target - K) - x + S_L).

    Source: Page, Biometrika 41 (1954) 100, in the tabular form of Montgomery, Introduction to
    Statistical Quality Control.
    """
    high = low = 0.0
    highs, lows = [], []
    for x in values:
        high = max(0.0, x - (target + allowance) + high)
        low = max(0.0, (target - allowance) - x + low)
        highs.append(high)
        lows.append(low)
    return tuple(highs), tuple(lows)


def robust_sigma(values: Sequence[float]) -> float:
    """Standard deviation about a level that may step: from the MAD of first differences.

    For independent values; 0 for fewer than three. Source: sigma^2 of a difference is twice that
    of a value; MAD/0.6745 for the normal distribution.
    """
    return _spread(np.diff(np.asarray(values, float))) / sqrt(2)


def long_run_sigma(values: Sequence[float]) -> float:
    """The standard deviation that counts for sums of values that depend on their forerunners.

    The ratio of the variances of second-step and first differences is 1 + r for a first-order
    process; neither sees a step in the level but once or twice.
    """
    x = np.asarray(values, float)
    one, two = _spread(x[1:] - x[:-1]), _spread(x[2:] - x[:-2])
    if one == 0.0:
        return 0.0
    r = min(max((two / one) ** 2 - 1, 0.0), _LAG_1_MOST)
    sigma = one / sqrt(2 * (1 - r))
    return sigma * sqrt((1 + r) / (1 - r))


def step(values: Sequence[float], least_sigma: float) -> Step | None:
    """The step in a series, if there is one.

    Tabular CUSUM about the median of all, K = 0.5 and H = 10 sigma, single values cut off at 4
    sigma; the place is where the sum of deviations from the median is furthest from zero.
    `least_sigma` is the smallest that is believed: a resolution.

    Source: Page (1954) for the signal, Pettitt, Appl. Stat. 28 (1979) 126 for the place.
    """
    if len(values) < 2 * _LEAST_SIDE:
        return None
    sigma = max(long_run_sigma(values), least_sigma)
    x = np.asarray(values, float)
    z = np.clip((x - np.median(x)) / sigma, -_OUTLIER, _OUTLIER)
    highs, lows = tabular(z.tolist(), 0.0, ALLOWANCE)
    largest = max(*highs, *lows)
    if largest <= DECISION:
        return None
    away = np.abs(np.cumsum(z - z.mean()))[:-1]
    index = int(np.argmax(away)) + 1
    if not _LEAST_SIDE <= index <= len(x) - _LEAST_SIDE:
        return None
    before, after = float(np.median(x[:index])), float(np.median(x[index:]))
    if abs(after - before) < _CONTRAST * sigma * sqrt(1 / index + 1 / (len(x) - index)):
        return None
    return Step(index, before, after, sigma, largest)


def _spread(differences: npt.NDArray[np.float64]) -> float:
    if len(differences) < 2:
        return 0.0
    return SIGMA_PER_MAD * float(np.median(np.abs(differences - np.median(differences))))
