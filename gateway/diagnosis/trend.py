"""The trend of log10(resistance) in each operating state, anew with each interval.

Only fresh good measurements count: values held, old or doubtful never make a point. 'At least' is
known to be no lower and nothing else: such points are tied at the lowest ceiling for the test of
Mann and Kendall and take no part in the slope. Verdicts stand at 5 %, from 8 points on; dependence
of a point on the one before (lag 1) widens the interval and raises p, from 20 points on.

A point is corrected to 40 degC at standstill only, where the site file gives the insulation and
the temperature: the correction holds for no winding in service. Points known to be excited, or out
of the range of the correction, are left out of the trend of such a state; its forecasts are those
of the resistance at 40 degC.

Refuses to forecast without a falling trend.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import log10
from typing import Final

from gateway.diagnosis import patterns
from gateway.diagnosis.forecast import forecast
from gateway.diagnosis.mann_kendall import lag_1_inflation, mann_kendall
from gateway.diagnosis.seen import Seen
from gateway.diagnosis.theil_sen import Slope, theil_sen, through_all
from gateway.diagnosis.trend_points import (
    NO_COVARIATES,
    Covariates,
    Gathering,
    Point,
    Taken,
    at_40_c,
    begun_after,
    gathered,
    point_of,
    unbounded,
)
from gateway.rotor.insulation import Insulation, corrected_to_40_c
from gateway.rotor.measured import Measured
from gateway.site.alarm import LimitAlarm
from gateway.site.installed import Site
from gateway.tags import Forecast, PatternFound, Sample, StateTrend, Trend

POINTS_LEAST: Final = 8  # below, hardly any series could be told from chance; common practice
ALPHA: Final = 0.05
NOT_TOLD: Final = "state not told"
ALL_STATES: Final = "all states"
_LEAST_OHM: Final = 1.0  # a dead short has no logarithm; whatever is lower counts as this
_DECADES_MOST: Final = 15.0  # a line that ends beyond has left its points; it shows nothing
_DAY_NS: Final = 86_400 * 10**9


@dataclass(frozen=True, slots=True)
class TrendHistory:
    """What only changes when an interval closes; may be saved apart from the rest."""

    tag: str = ""
    series: dict[str, tuple[Point, ...]] = field(default_factory=dict)
    trend: Trend | None = None


@dataclass(frozen=True, slots=True)
class TrendMemory:
    """Plain data: the open interval, the time of the start, and the history."""

    opened_ns: int | None = None  # of the first value of the interval, on the chain's clock
    measured_ns: int = 0  # UTC of the last measurement taken
    running: bool | None = None
    started_ns: int | None = None  # on the chain's clock; None: no start was seen
    gathering: dict[str, Gathering] = field(default_factory=dict)
    history: TrendHistory = field(default_factory=TrendHistory)


@dataclass(frozen=True, slots=True)
class _Limit:
    alarm: str
    value: float  # in the unit of the alarm's tag
    ohm: float


class TrendDesk:
    """Makes the trend of one machine."""

    def __init__(self, site: Site, machine: str) -> None:
        owner = site.machine(machine)
        self._watch = owner.trend
        self._by_running = owner.operating_states.running is not None
        self._by_heat = owner.operating_states.hot is not None
        if self._watch is None:
            return
        units = {t.tag: t.unit for t in site.tags_of(machine)}
        watch = self._watch
        unit = units[watch.resistance]
        self._tag = watch.resistance
        self._ohm = 1.0 if unit is None else float(unit.factor)
        self._interval_ns = round(watch.interval * 1e9)
        named = (watch.temperature, watch.speed, watch.load, watch.humidity)
        self._covariates = named if any(named) else None
        unit_names = tuple(u.name if (u := units.get(t or "")) else "" for t in named)
        self._patterns = patterns.Settings(unit_names, self._by_running, self._by_heat)
        self._insulation = Insulation(watch.insulation) if watch.insulation else None
        self._corrects = self._insulation is not None and watch.temperature is not None
        limits = []
        for alarm in site.earth_fault_alarms(machine):
            if (
                not isinstance(alarm, LimitAlarm)
                or alarm.below is None
                or alarm.below.dimension != "resistance"
                or alarm.below.si <= 0
            ):
                continue
            shown_in = units.get(alarm.tag) or alarm.below.unit
            limits.append(_Limit(alarm.name, alarm.below.in_unit(shown_in), alarm.below.si))
        self._limits = tuple(limits)

    def step(
        self, memory: TrendMemory, seen: Seen, operating: Mapping[str, bool | None]
    ) -> tuple[TrendMemory, Trend | None]:
        """The memory and the newest trend; both the same objects while there is nothing new.

        `operating` has 'excited', 'running' and 'hot'; None or missing is not known.
        """
        if self._watch is None:
            return memory, None
        if memory.history.tag != self._tag:
            memory = TrendMemory(history=TrendHistory(self._tag))
        memory = _started(memory, operating.get("running"), seen.clock_ns)
        opened_ns = memory.opened_ns
        # An interval ends before the value that comes after it.
        if opened_ns is not None and seen.clock_ns - opened_ns >= self._interval_ns:
            memory = self._closed(memory)
        sample = seen.samples.get(self._tag)
        if sample is not None and self._counts(sample, memory, seen):
            memory = self._with(memory, sample, seen, operating)
        return memory, memory.history.trend

    def _counts(self, sample: Sample, memory: TrendMemory, seen: Seen) -> bool:
        """Whether it is a fresh good measurement."""
        return (
            sample.status.is_good
            and sample.time_ns != memory.measured_ns
            and sample.tag not in seen.blind
        )

    def _with(
        self,
        memory: TrendMemory,
        sample: Sample,
        seen: Seen,
        operating: Mapping[str, bool | None],
    ) -> TrendMemory:
        state = self._state(operating)
        points = memory.history.series.get(state)
        hours = None
        if memory.started_ns is not None:
            hours = (seen.clock_ns - memory.started_ns) / 3.6e12
        taken = Taken(
            seen.clock_ns,
            sample.time_ns,
            log10(max(float(sample.value or 0.0) * self._ohm, _LEAST_OHM)),
            sample.status.limit,
            NO_COVARIATES if self._covariates is None else self._beside(self._covariates, seen),
            hours,
            operating.get("excited"),
        )
        before = memory.gathering.get(state) or Gathering()
        after = gathered(before, taken, points[-1] if points else None)
        return TrendMemory(
            memory.opened_ns if memory.opened_ns is not None else seen.clock_ns,
            sample.time_ns,
            memory.running,
            memory.started_ns,
            {**memory.gathering, state: after},
            memory.history,
        )

    def _beside(self, tags: tuple[str | None, ...], seen: Seen) -> Covariates:
        """What temperature, speed, load and humidity are now, as far as they are measured now."""
        a, b, c, d = (None if tag is None else _number(tag, seen) for tag in tags)
        return a, b, c, d

    def _state(self, operating: Mapping[str, bool | None]) -> str:
        if not (self._by_running or self._by_heat):
            return ALL_STATES
        running, hot = operating.get("running"), operating.get("hot")
        if (self._by_running and running is None) or (self._by_heat and hot is None):
            return NOT_TOLD
        words = []
        if self._by_running:
            words.append("running" if running else "standstill")
        if self._by_heat:
            words.append("hot" if hot else "cold")
        return " ".join(words)

    def _closed(self, memory: TrendMemory) -> TrendMemory:
        """The interval as points, and everything that follows from them."""
        most = self._watch.points if self._watch is not None else 0
        series, going_on = dict(memory.history.series), {}
        for state, gathering in memory.gathering.items():
            if gathering.count == 0:
                continue
            point = point_of(gathering)
            series[state] = (*series.get(state, ()), point)[-most:]
            if (next_one := begun_after(gathering, point)) is not None:
                going_on[state] = next_one
        trend = self._trend(series, memory)
        return TrendMemory(
            None,
            memory.measured_ns,
            memory.running,
            memory.started_ns,
            going_on,
            TrendHistory(self._tag, series, trend),
        )

    def _trend(self, series: Mapping[str, tuple[Point, ...]], memory: TrendMemory) -> Trend:
        before = memory.history.trend
        known = {s.state: s for s in before.states} if before is not None else {}
        states = []
        for state in sorted(series):
            if memory.gathering.get(state, Gathering()).count == 0 and state in known:
                states.append(known[state])
            else:
                states.append(self._state_trend(state, self._corrected(state, series[state])))
        since = {p.pattern: p.since_ns for p in before.patterns} if before is not None else {}
        newest_ns = max(points[-1].utc_ns for points in series.values())
        found = tuple(
            PatternFound(name, since.get(name, newest_ns), figures)
            for name, figures in patterns.find(series, self._patterns)
        )
        return Trend(self._tag, tuple(states), found)

    def _corrected(self, state: str, points: tuple[Point, ...]) -> list[Point]:
        """The points as they are trended; those that cannot be corrected are left out."""
        if not self._corrects or not state.startswith("standstill"):
            return list(points)
        found = []
        for point in points:
            temperature = point.covariates[0]
            if temperature is None or point.energised or self._insulation is None:
                continue
            corrected = corrected_to_40_c(
                Measured(10**point.log_ohm, 0.0), Measured(temperature, 0.0), self._insulation
            )
            if corrected is not None:
                found.append(at_40_c(point, log10(corrected.resistance_ohm.value)))
        return found

    def _state_trend(self, state: str, points: Sequence[Point]) -> StateTrend:
        count = len(points)
        from_ns, to_ns = (points[0].utc_ns, points[-1].utc_ns) if points else (0, 0)
        if count < POINTS_LEAST:
            return StateTrend(state, count, from_ns, to_ns, "too few points")
        last_ns = points[-1].clock_ns
        free = [p for p in points if p.bound == 0]
        days = [(p.clock_ns - last_ns) / _DAY_NS for p in free]
        slope, inflation = _slope(days, [p.log_ohm for p in free])
        known = unbounded([p.log_ohm for p in points], [p.bound for p in points])
        test = mann_kendall(known, inflation)
        verdict = "no trend"
        if test.p_value < ALPHA:
            verdict = "falling" if test.s < 0 else "rising"
        if slope is None:
            return StateTrend(state, count, from_ns, to_ns, verdict, p_value=test.p_value)
        forecasts: tuple[Forecast, ...] = ()
        if verdict == "falling" and slope.value < 0:
            forecasts = tuple(
                forecast(limit.alarm, limit.value, limit.ohm, slope, 0.0) for limit in self._limits
            )
        return StateTrend(
            state,
            count,
            from_ns,
            to_ns,
            verdict,
            slope.value,
            slope.low,
            slope.high,
            test.p_value,
            forecasts,
            10 ** slope.at(0.0) if abs(slope.at(0.0)) < _DECADES_MOST else None,
        )


def _slope(days: Sequence[float], logs: Sequence[float]) -> tuple[Slope | None, float]:
    """The slope, its interval widened for dependence, and by how much."""
    if len(days) < POINTS_LEAST:
        return None, 1.0
    slope = theil_sen(days, logs)
    if slope is None:
        return None, 1.0
    inflation = lag_1_inflation([y - slope.at(x) for x, y in zip(days, logs, strict=True)])
    if inflation > 1.0:
        slope = theil_sen(days, logs, inflation) or slope
    return through_all(slope, days, logs), inflation


def _started(memory: TrendMemory, running: bool | None, clock_ns: int) -> TrendMemory:
    """Keeps the time of the last start that was seen; not knowing changes nothing."""
    if running is None or running is memory.running:
        return memory
    started_ns = clock_ns if running and memory.running is False else None
    return TrendMemory(
        memory.opened_ns,
        memory.measured_ns,
        running,
        started_ns,
        memory.gathering,
        memory.history,
    )


def _number(tag: str, seen: Seen) -> float | None:
    sample = seen.samples.get(tag)
    if sample is None or not sample.status.is_good or sample.value is None or tag in seen.blind:
        return None
    return float(sample.value)
