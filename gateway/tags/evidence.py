"""The words of belief: what speaks for and against a fault alarm, and what a trend says."""

from dataclasses import dataclass
from enum import StrEnum

from gateway.tags.status import GOOD, Status


class Bearing(StrEnum):
    """Which way an observation points."""

    FOR = "for"
    AGAINST = "against"
    DOUBT = "doubt"  # says that the path cannot be relied on, either way
    OPEN = "open"  # could decide, but is not known now


@dataclass(frozen=True, slots=True)
class Observed:
    """One observation on the question whether there is a fault."""

    rule: str  # the rule that made it, a key of `gateway.diagnosis.rules`
    bearing: Bearing
    path: str  # the independent path that it came over: "device u1-monitor", "gateway", ...
    text: str  # in plain words, with figures and units
    tag: str = ""  # the tag it rests on, "" where it rests on none
    value: float | bool | None = None
    status: Status = GOOD
    time_ns: int = 0  # UTC of the measurement
    uncertainty: float | None = None


class Conclusion(StrEnum):
    """What the observations come to; no probability is claimed."""

    CORROBORATED = "corroborated"
    SINGLE_PATH = "single path"
    CONTRADICTED = "contradicted"
    MONITOR_IN_DOUBT = "monitor in doubt"


@dataclass(frozen=True, slots=True)
class Evidence:
    """Why to believe or doubt one fault alarm that is not normal."""

    alarm: str
    conclusion: Conclusion
    observations: tuple[Observed, ...]
    possible: tuple[str, ...]  # explanations that remain
    excluded: tuple[str, ...]  # explanations that do not, each with its reason
    questions: tuple[str, ...]  # what is left open


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a trend reaches the limit of an alarm, in days from its last point.

    None: the end of the 95 % interval does not reach it at all.
    """

    alarm: str
    limit: float  # in the unit of the alarm's tag
    earliest_days: float | None
    likely_days: float | None
    latest_days: float | None


@dataclass(frozen=True, slots=True)
class StateTrend:
    """The trend of log10(resistance) in one operating state."""

    state: str  # "running hot", "standstill cold", ...
    points: int
    from_ns: int  # UTC of the oldest point
    to_ns: int  # UTC of the newest point
    verdict: str  # "falling", "rising", "no trend", "too few points"
    decades_per_day: float | None = None  # Theil-Sen slope
    low_decades_per_day: float | None = None  # 95 % interval
    high_decades_per_day: float | None = None
    p_value: float | None = None  # Mann-Kendall, two-sided
    forecasts: tuple[Forecast, ...] = ()
    line_end_ohm: float | None = None  # resistance of the fitted line at `to_ns`


@dataclass(frozen=True, slots=True)
class PatternFound:
    """A named pattern with the figures of the test that found it."""

    pattern: str
    since_ns: int  # UTC of the point at which it was found
    figures: str


@dataclass(frozen=True, slots=True)
class Trend:
    """What the trend of one machine's resistance says; computed anew with each trend point."""

    tag: str
    states: tuple[StateTrend, ...]
    patterns: tuple[PatternFound, ...]
