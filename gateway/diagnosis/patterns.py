"""Named patterns in trend points, each found by a named test whose figures are told.

Each test stands at the level 0.01 divided by the number of tests made (Bonferroni); effects of
less than 12 % are passed over however sure. What cannot be told apart is said to be so.

Refuses to name causes: a pattern says how the resistance behaves, not why.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Final

from gateway.diagnosis import cusum
from gateway.diagnosis.covariates import Candidate, candidates, covariate, graded, tells_apart
from gateway.diagnosis.mann_kendall import combined, lag_1_inflation, mann_kendall
from gateway.diagnosis.rank_tests import (
    dependence_inflation,
    mann_whitney,
    partial_spearman,
)
from gateway.diagnosis.theil_sen import theil_sen
from gateway.diagnosis.trend_points import Point, unbounded

MOISTURE: Final = "moisture"
INTERMITTENT: Final = "intermittent"
STEADY_DECLINE: Final = "steady decline"
STEP: Final = "step"

# All of these are common practice, no source.
FAMILY_LEVEL: Final = 0.01  # of all tests of one look together
_POINTS_LEAST: Final = 12
_RECENT_STARTS_H: Final = 24.0  # a wet winding dries within hours of running warm
_RECOVERY_DECADES: Final = 0.15  # 1.4 times
_EFFECT_DECADES: Final = 0.05  # 12 %
_EXCURSIONS_LEAST: Final = 3
_RESOLUTION_DECADES: Final = 0.005  # 1.2 %: no monitor's readings scatter less and mean it
_SWITCHES_LEAST: Final = 3  # between two states; fewer cannot be told from a step
_EXCURSION_DECADES: Final = 0.301
_KEPT_SHARE: Final = 0.9  # of the points that a step must leave on its own sides
_HOUR_NS: Final = 3600 * 10**9


@dataclass(frozen=True, slots=True)
class Settings:
    """What a machine's points can tell."""

    units: tuple[str, ...]  # of COVARIATE_NAMES, "" where there is none
    by_running: bool  # states say running or standstill
    by_heat: bool  # states say hot or cold


_Placed = tuple[str, Point]


def find(
    series: Mapping[str, tuple[Point, ...]], settings: Settings
) -> tuple[tuple[str, str], ...]:
    """Each pattern that is there, with its figures, always in the same order."""
    placed = sorted(
        ((state, p) for state, points in series.items() for p in points),
        key=lambda pair: pair[1].clock_ns,
    )
    possible = candidates(settings.units, by_running=settings.by_running, by_heat=settings.by_heat)
    level = FAMILY_LEVEL / (len(possible) + len(series) + 1)
    found = []
    moist = _moisture(placed, settings, level)
    if moist:
        found.append((MOISTURE, moist))
    depends = _dependences(placed, possible, level, bool(moist))
    found += depends
    explained = [c for c in possible if any(c.pattern == name for name, _ in depends)]
    if (figures := _intermittent(series, explained)) is not None:
        found.append((INTERMITTENT, figures))
    declines, steps = [], []
    for state in sorted(series):
        points = series[state]
        if len(points) < _POINTS_LEAST:
            continue
        known = unbounded([p.log_ohm for p in points], [p.bound for p in points])
        stepped = _step(state, points, known, explained, bool(moist))
        if stepped:
            steps.append(stepped)
        elif falling := _decline(state, points, known, level, explained):
            declines.append(falling)
    if declines:
        found.append((STEADY_DECLINE, "; ".join(declines)))
    if steps:
        found.append((STEP, "; ".join(steps)))
    return tuple(found)


def _known(placed: Sequence[_Placed]) -> list[float]:
    return unbounded([p.log_ohm for _, p in placed], [p.bound for _, p in placed])


def _hours(placed: Sequence[_Placed]) -> list[float]:
    return [p.clock_ns / _HOUR_NS for _, p in placed]


# --- moisture --------------------------------------------------------------------------------


def _moisture(placed: Sequence[_Placed], settings: Settings, level: float) -> str:
    """Recovers within a day of running (seasonal Kendall test), or falls with humidity."""
    recovery = _recovery(placed, level) if settings.by_running else ""
    return "; ".join(t for t in (recovery, _humid(placed, settings, level)) if t)


def _recovery(placed: Sequence[_Placed], level: float) -> str:
    runs: list[list[Point]] = []
    running = False
    for _, point in placed:
        hours = point.hours_running
        if hours is None:
            running = False
            continue
        if not running or hours < (runs[-1][-1].hours_running or 0.0):
            runs.append([])
        running = True
        if hours <= _RECENT_STARTS_H or not runs[-1]:
            runs[-1].append(point)
    runs = [
        run for run in runs if len(run) >= 4 and (run[0].hours_running or 0.0) < _RECENT_STARTS_H
    ]
    if not runs:
        return ""
    known = [unbounded([p.log_ohm for p in run], [p.bound for p in run]) for run in runs]
    test = combined(mann_kendall(logs) for logs in known)
    rise = median(median(logs[-2:]) - median(logs[:2]) for logs in known)
    if test.s <= 0 or test.p_value >= level or rise < _RECOVERY_DECADES:
        return ""
    return (
        f"rises within {_RECENT_STARTS_H:g} h of running, to {10**rise:.3g} times in the middle "
        f"of {len(runs)} start(s) (seasonal Kendall S {test.s}, p {test.p_value:.1g})"
    )


def _humid(placed: Sequence[_Placed], settings: Settings, level: float) -> str:
    if not settings.units[3]:
        return ""
    candidate = Candidate(MOISTURE, "humidity", settings.units[3], ("", ""), covariate(3))
    told = _dependence(placed, candidate, level)
    return told.text if told is not None and told.effect < 0 else ""


# --- dependence on speed, temperature and load ------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Told:
    candidate: Candidate
    effect: float  # decades, high against low
    text: str


def _dependences(
    placed: Sequence[_Placed], possible: Sequence[Candidate], level: float, moist: bool
) -> list[tuple[str, str]]:
    """What the resistance goes with; of several, those that the others do not explain."""
    told = [t for c in possible if (t := _dependence(placed, c, level)) is not None]
    # A winding that dries while it runs rises with speed, load and warmth: that is moisture.
    told = [t for t in told if not (moist and t.effect > 0)]
    own = [
        t
        for t in told
        if not any(_explains(placed, o.candidate, t.candidate, level) for o in told if o is not t)
    ]
    if own or not told:
        return [(t.candidate.pattern, t.text) for t in own]
    # Each explains the other: they move together, and the points cannot tell which it is.
    found = []
    for t in told:
        others = ", ".join(o.candidate.name for o in told if o is not t)
        found.append((t.candidate.pattern, f"{t.text}; cannot be told apart from {others}"))
    return found


def _dependence(placed: Sequence[_Placed], candidate: Candidate, level: float) -> _Told | None:
    at = [(value, pair) for pair in placed if (value := candidate.value(*pair)) is not None]
    if len(at) < _POINTS_LEAST:
        return None
    x, pairs = [a for a, _ in at], [pair for _, pair in at]
    y = _known(pairs)
    test = partial_spearman(graded(x), y, [_hours(pairs)])
    if test is None or test.p_value >= level:
        return None
    low, high = _ends(x)
    at_low = [v for a, v in zip(x, y, strict=True) if a <= low]
    at_high = [v for a, v in zip(x, y, strict=True) if a >= high]
    effect = median(at_high) - median(at_low)
    if abs(effect) < _EFFECT_DECADES or (effect < 0) != (test.rho < 0):
        return None
    figures = f"Spearman {test.rho:+.2f} with time held fixed, p {test.p_value:.1g}"
    if candidate.is_state:
        switches = sum(a != b for a, b in pairwise(x))
        whitney = mann_whitney(at_high, at_low, dependence_inflation(x, y))
        if switches < _SWITCHES_LEAST or whitney.p_value >= level:
            return None
        figures += f"; Mann-Whitney U {whitney.u:g}, p {whitney.p_value:.1g}"
        ends = candidate.words
    else:
        ends = (f"up to {low:.4g} {candidate.unit}", f"from {high:.4g} {candidate.unit}")
    text = (
        f"{'falls' if effect < 0 else 'rises'} with {candidate.name}: "
        f"{_ohm(median(at_low))} {ends[0]}, {_ohm(median(at_high))} {ends[1]} "
        f"({figures}, {len(x)} points)"
    )
    return _Told(candidate, effect, text)


def _explains(
    placed: Sequence[_Placed], other: Candidate, candidate: Candidate, level: float
) -> bool:
    """Whether nothing is left of the dependence on `candidate` where `other` is held fixed."""
    at = [
        (value, beside, pair)
        for pair in placed
        if (value := candidate.value(*pair)) is not None
        and (beside := other.value(*pair)) is not None
    ]
    pairs = [pair for _, _, pair in at]
    x, z = [a for a, _, _ in at], [b for _, b, _ in at]
    if len(at) < _POINTS_LEAST:
        return False
    test = partial_spearman(graded(x), _known(pairs), [_hours(pairs), graded(z)])
    return test is None or test.p_value >= level


def _ends(x: Sequence[float]) -> tuple[float, float]:
    """Where the lowest and the highest third end and begin."""
    ordered = sorted(x)
    return ordered[(len(x) - 1) // 3], ordered[-1 - (len(x) - 1) // 3]


# --- within one state ------------------------------------------------------------------------


def _intermittent(
    series: Mapping[str, tuple[Point, ...]], explained: Sequence[Candidate]
) -> str | None:
    """Excursions to below half of the level and back, within intervals and over whole ones.

    Whole ones that go with what the resistance depends on are no excursions.
    """
    within = intervals = whole = total = 0
    lowest: list[float] = []
    for state, points in series.items():
        total += len(points)
        for point in points:
            if point.dips:
                within, intervals = within + point.dips, intervals + 1
                lowest.append(point.lowest)
        away = _away(points)
        if any(
            tells_apart(candidate, state, points, [a < 0 for a in away]) for candidate in explained
        ):
            continue
        low = _low_runs(away)
        whole += len(low)
        lowest += [min(points[i].log_ohm for i in run) for run in low]
    if within + whole < _EXCURSIONS_LEAST or intervals + whole < 2:
        return None
    return (
        f"{within + whole} excursions to below half of the level and back: {within} within "
        f"{intervals} of {total} intervals, {whole} over whole ones; lowest {_ohm(min(lowest))}"
    )


def _away(points: Sequence[Point]) -> list[int]:
    """Of each point: -1 where it is low, 1 near the level, 0 between."""
    if len(points) < _POINTS_LEAST:
        return [0] * len(points)
    known = unbounded([p.log_ohm for p in points], [p.bound for p in points])
    sigma = max(cusum.robust_sigma(known), _RESOLUTION_DECADES)
    level, depth = median(known), max(_EXCURSION_DECADES, 8 * sigma)
    return [-1 if v < level - depth else int(v > level - depth / 2) for v in known]


def _low_runs(away: Sequence[int]) -> list[range]:
    """Each stretch of low points that has high ones on both sides.

    Slow drifts there and back, such as those of moisture, pass through what lies between.
    """
    found = []
    begun = 0
    for i in range(1, len(away)):
        if away[i] < 0 <= away[i - 1]:
            begun = i
        elif away[i - 1] < 0 <= away[i] and begun and away[begun - 1] == away[i] == 1:
            found.append(range(begun, i))
    return found


def _step(
    state: str,
    points: Sequence[Point],
    known: Sequence[float],
    explained: Sequence[Candidate],
    moist: bool,
) -> str:
    """A step by CUSUM that fits better than a line does, and that nothing else explains."""
    step = cusum.step(known, _RESOLUTION_DECADES)
    if step is None or abs(step.after - step.before) < _EFFECT_DECADES:
        return ""
    # A winding that dries rises, and stands as wet as its last stop has left it: that is moisture.
    if moist and (step.after > step.before or "standstill" in state):
        return ""
    middle = (step.before + step.after) / 2
    later = [i >= step.index for i in range(len(known))]
    kept = sum(
        (v > middle) == (a == (step.after > step.before)) for v, a in zip(known, later, strict=True)
    )
    # What goes back and forth has a best place for a step, too, but does not stay.
    if kept < _KEPT_SHARE * len(known):
        return ""
    if any(tells_apart(candidate, state, points, later) for candidate in explained):
        return ""
    hours = [(p.clock_ns - points[-1].clock_ns) / _HOUR_NS for p in points]
    line = theil_sen(hours, known)
    if line is not None:
        on_line = sum(abs(y - line.at(x)) for x, y in zip(hours, known, strict=True))
        on_step = sum(abs(y - step.before) for y in known[: step.index]) + sum(
            abs(y - step.after) for y in known[step.index :]
        )
        if on_line <= on_step:
            return ""
    return (
        f"{state}: from {_ohm(step.before)} to {_ohm(step.after)}, between "
        f"{_time(-hours[step.index - 1])} and {_time(-hours[step.index])} before the newest point "
        f"(CUSUM at {step.largest_sum:.3g} sigma, limit {cusum.DECISION:g} sigma, allowance "
        f"{cusum.ALLOWANCE:g} sigma; sigma {step.sigma:.2g} decades)"
    )


def _decline(
    state: str,
    points: Sequence[Point],
    known: Sequence[float],
    level: float,
    explained: Sequence[Candidate],
) -> str:
    """Falls with time (Mann-Kendall), also where what it depends on is held fixed."""
    hours = [(p.clock_ns - points[-1].clock_ns) / _HOUR_NS for p in points]
    test = mann_kendall(known)
    if test.s >= 0 or test.p_value >= level:
        return ""
    line = theil_sen(hours, known)
    if line is None or line.value >= 0:
        return ""
    inflation = lag_1_inflation([y - line.at(x) for x, y in zip(hours, known, strict=True)])
    test = mann_kendall(known, inflation)
    if test.p_value >= level or -line.value * (hours[-1] - hours[0]) < _EFFECT_DECADES:
        return ""
    held = [[candidate.value(state, p) for p in points] for candidate in explained]
    usable = [[v for v in values if v is not None] for values in held]
    usable = [values for values in usable if len(values) == len(points) and len(set(values)) > 1]
    if usable:
        left = partial_spearman(hours, known, usable)
        if left is None or left.rho >= 0 or left.p_value >= level:
            return ""
    return (
        f"{state}: {_rate(24 * line.value)} over {_time(hours[-1] - hours[0])} "
        f"(Mann-Kendall S {test.s}, p {test.p_value:.1g}, {len(points)} points)"
    )


def _ohm(log_ohm: float) -> str:
    return f"{10**log_ohm / 1e3:.3g} kohm"


def _rate(decades_per_day: float) -> str:
    if decades_per_day < -1:
        return f"{decades_per_day:.3g} decades a day"
    return f"{100 * (10**decades_per_day - 1):+.3g} % a day"


def _time(hours: float) -> str:
    if hours < 0.1:
        return f"{hours * 3600:.3g} s"
    return f"{hours:.3g} h" if hours < 48 else f"{hours / 24:.3g} d"
