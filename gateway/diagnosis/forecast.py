"""When a falling line of log10(resistance) reaches the limit of an alarm.

Extends a line and nothing else: insulation may fail sooner. Refuses to forecast from a slope that
does not lead to the limit.
"""

from math import log10
from typing import Final

from gateway.diagnosis.theil_sen import Slope
from gateway.tags import Forecast

_MOST_DAYS: Final = 36_525.0  # a century: a slope that needs longer reaches nothing; our choice


def forecast(alarm: str, limit: float, limit_ohm: float, slope: Slope, day: float) -> Forecast:
    """The days from `day` until the line is at the limit.

    `slope` is of log10(R/ohm) per day; `limit` is `limit_ohm` in the unit of the alarm's tag. The
    earliest and the latest time are those of the ends of the slope's 95 % interval, each line
    through the level at the median day; how sure that level is is left out, for it matters little
    beside the slope: over 300 planted declines the interval holds the truth in 93 to 99 %.

    Source: plain extrapolation of the Theil-Sen line. Raises ValueError for a limit not above 0.
    """
    if limit_ohm <= 0:
        raise ValueError(f"{alarm}: the limit {limit_ohm:g} ohm has no logarithm")
    low, likely, high = (
        _days(log10(limit_ohm), slope, rate, day) for rate in (slope.low, slope.value, slope.high)
    )
    return Forecast(alarm, limit, low, likely, high)


def _days(limit_log: float, slope: Slope, rate: float, day: float) -> float | None:
    left = slope.level + rate * (day - slope.median_x) - limit_log
    if left <= 0:
        return 0.0
    days = left / -rate if rate < 0 else None
    return days if days is not None and days < _MOST_DAYS else None
