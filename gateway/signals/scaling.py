"""From loop current to engineering value, with its standard uncertainty.

Every law maps x = (I - 4 mA)/16 mA onto the range; the uncertainty of the current goes through
the slope of the law (GUM, JCGM 100:2008, 5.1.2).
"""

from collections.abc import Sequence
from math import exp, log, sqrt
from typing import Final

_ZERO_A: Final = 0.004
_SPAN_A: Final = 0.016


def linear(current_a: float, low: float, high: float) -> tuple[float, float]:
    """Value and slope [per A]. Reverse acting where low > high."""
    slope = (high - low) / _SPAN_A
    return low + slope * (current_a - _ZERO_A), slope


def square_root(current_a: float, low: float, high: float, cutoff: float) -> tuple[float, float]:
    """Value and slope of a square-root law; at or below `cutoff` (share of x) it is `low`."""
    x = (current_a - _ZERO_A) / _SPAN_A
    if x <= cutoff:
        return low, 0.0
    return low + (high - low) * sqrt(x), (high - low) / (2 * sqrt(x) * _SPAN_A)


def logarithmic(current_a: float, low: float, high: float) -> tuple[float, float]:
    """Value and slope where equal steps of current are equal ratios; both ends above zero."""
    decades = log(high / low)
    value = low * exp(decades * (current_a - _ZERO_A) / _SPAN_A)
    return value, value * decades / _SPAN_A


def table(current_a: float, rows: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Value and slope between the rows (current [A], value); the end pieces reach outward."""
    above = next((i for i in range(1, len(rows) - 1) if current_a <= rows[i][0]), len(rows) - 1)
    (left_a, left), (right_a, right) = rows[above - 1], rows[above]
    slope = (right - left) / (right_a - left_a)
    return left + slope * (current_a - left_a), slope
