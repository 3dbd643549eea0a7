"""From single measurements to one trend point for an interval and operating state.

Bounded: an interval keeps at most 64 values, evenly thinned. Refuses nothing that it is handed;
which measurements count is decided in `gateway.diagnosis.trend`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Final

from gateway.diagnosis.cusum import SIGMA_PER_MAD
from gateway.tags import Limit

_MOST_VALUES: Final = 64
# An excursion goes below half of the level and ends above 0.7 of it; where the values scatter
# more than most, it goes at least 8 sigma below. Common practice, no source.
_DIP_DECADES: Final = 0.301
_DIP_SIGMA: Final = 8.0
_BACK: Final = 0.5  # of the depth

Covariates = tuple[float | None, float | None, float | None, float | None]
NO_COVARIATES: Final[Covariates] = (None, None, None, None)
COVARIATE_NAMES: Final = ("temperature", "speed", "load", "humidity")


@dataclass(frozen=True, slots=True)
class Point:
    """What was measured in one interval and operating state."""

    clock_ns: int  # of the last value, on the chain's clock
    utc_ns: int
    log_ohm: float  # median of log10(R/ohm), as measured
    bound: int  # 1: "at least" for half of the values or more, -1: "at most", 0: a value
    spread: float  # sigma of a value within the interval, decades
    lowest: float  # log10(R/ohm)
    dips: int  # excursions below half of the level and back
    covariates: Covariates  # means: see COVARIATE_NAMES, in the units of their tags
    hours_running: float | None  # since the start; None: standstill, or not known
    energised: bool | None = None  # whether it was excited at any of the values


@dataclass(frozen=True, slots=True)
class Gathering:
    """What an interval has brought so far in one operating state."""

    clock_ns: int = 0
    utc_ns: int = 0
    values: tuple[float, ...] = ()
    stride: int = 1
    count: int = 0
    at_least: int = 0
    at_most: int = 0
    lowest: float = 0.0
    dips: int = 0
    dipped: bool = False
    sums: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    counts: tuple[int, int, int, int] = (0, 0, 0, 0)
    hours_running: float | None = None
    energised: bool | None = False


@dataclass(frozen=True, slots=True)
class Taken:
    """One measurement that counts."""

    clock_ns: int
    utc_ns: int
    log_ohm: float
    limit: Limit
    covariates: Covariates
    hours_running: float | None
    energised: bool | None


def gathered(before: Gathering, taken: Taken, last: Point | None) -> Gathering:
    """The interval with one measurement more; `last` is the point before it in this state."""
    values, stride = before.values, before.stride
    if before.count % stride == 0:
        if len(values) == _MOST_VALUES:
            values, stride = values[::2], 2 * stride
        if before.count % stride == 0:
            values = (*values, taken.log_ohm)
    dips, dipped = _dips(before, taken.log_ohm, last)
    sums, counts = before.sums, before.counts
    if taken.covariates != NO_COVARIATES:
        a, b, c, d = taken.covariates
        sums = (sums[0] + (a or 0.0), sums[1] + (b or 0.0), sums[2] + (c or 0.0),
                sums[3] + (d or 0.0))  # fmt: skip
        counts = (counts[0] + (a is not None), counts[1] + (b is not None),
                  counts[2] + (c is not None), counts[3] + (d is not None))  # fmt: skip
    return Gathering(
        taken.clock_ns,
        taken.utc_ns,
        values,
        stride,
        before.count + 1,
        before.at_least + (taken.limit is Limit.HIGH),
        before.at_most + (taken.limit is Limit.LOW),
        min(before.lowest, taken.log_ohm) if before.count else taken.log_ohm,
        dips,
        dipped,
        sums,
        counts,
        taken.hours_running,
        before.energised if before.energised or taken.energised is False else taken.energised,
    )


def _dips(before: Gathering, log_ohm: float, last: Point | None) -> tuple[int, bool]:
    if last is None:
        return before.dips, False
    depth = max(_DIP_DECADES, _DIP_SIGMA * last.spread)
    if log_ohm < last.log_ohm - depth:
        return before.dips, True
    if before.dipped and log_ohm > last.log_ohm - _BACK * depth:
        return before.dips + 1, False
    return before.dips, before.dipped


def point_of(gathering: Gathering) -> Point:
    """The point of an interval that has at least one measurement."""
    level = median(gathering.values)
    bound = 0
    if 2 * gathering.at_least >= gathering.count:
        bound = 1
    elif 2 * gathering.at_most >= gathering.count:
        bound = -1
    a, b, c, d = (
        total / count if count else None
        for total, count in zip(gathering.sums, gathering.counts, strict=True)
    )
    return Point(
        gathering.clock_ns,
        gathering.utc_ns,
        level,
        bound,
        SIGMA_PER_MAD * median(abs(v - level) for v in gathering.values),
        gathering.lowest,
        gathering.dips,
        (a, b, c, d),
        gathering.hours_running,
        gathering.energised,
    )


def begun_after(gathering: Gathering, point: Point) -> Gathering | None:
    """What the next interval goes on with: an excursion that is not over, if nothing else."""
    still = gathering.dipped and gathering.lowest < point.log_ohm - _BACK * _DIP_DECADES
    return Gathering(dipped=True) if still else None


def unbounded(logs: Sequence[float], bounds: Sequence[int]) -> list[float]:
    """All values brought to what is known of each: none above the lowest 'at least'.

    Values at or above the lowest ceiling are told apart from it by nothing, so they are tied with
    it; likewise at the highest floor. Ranks and medians of the result are honest.

    Source: Helsel, Statistics for Censored Environmental Data, on several reporting limits.
    """
    pairs = list(zip(logs, bounds, strict=True))
    ceiling = min((v for v, b in pairs if b > 0), default=None)
    floor = max((v for v, b in pairs if b < 0), default=None)
    found = list(logs)
    if ceiling is not None:
        found = [min(v, ceiling) for v in found]
    if floor is not None and (ceiling is None or floor < ceiling):
        found = [max(v, floor) for v in found]
    return found


def at_40_c(point: Point, log_ohm: float) -> Point:
    """The same point with its resistance corrected."""
    return replace(point, log_ohm=log_ohm)
