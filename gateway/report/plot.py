"""The picture of one quantity over time: its curve, what is not known of it, limits and events.

Drawn to be read without colour: a bound is dotted, an old value dashed, a gap hatched. The band is
the expanded uncertainty, k = 2. Refuses to join a line over a gap.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from gateway.report.curve import Curve, Kind, Run
from gateway.report.document import (
    BLUE,
    GRID,
    INK,
    PALE,
    RED,
    Area,
    Drawing,
    Label,
    Line,
    Spot,
)

WIDTH: Final = 720.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 58.0, 12.0, 42.0, 34.0
_K: Final = 2.0
_DASHES: Final = {Kind.MEASURED: (), Kind.BOUND: (1.5, 3.0), Kind.OLD: (6.0, 3.0)}
_S: Final = 1_000_000_000
_STEPS_S: Final = (
    *(1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200),
    *(86_400 * days for days in (1, 2, 5, 10, 30, 100, 300)),
)
_TIMES_MOST: Final = 8
_LEAST_SHOWN: Final = 1e-6  # of a logarithmic scale; nothing of ours is so small
_EDGE: Final = 1.0


@dataclass(frozen=True, slots=True)
class Threshold:
    """A limit, in the unit of the curve."""

    name: str
    value: float


@dataclass(frozen=True, slots=True)
class Event:
    """What happened at one time; the main one is drawn stronger."""

    time_ns: int
    name: str
    main: bool = False


@dataclass(frozen=True, slots=True)
class _Scale:
    """From values to heights; low is at the bottom."""

    low: float
    high: float
    logarithmic: bool
    top: float
    bottom: float

    def __call__(self, value: float) -> float:
        if self.logarithmic:
            place = math.log10(max(value, _LEAST_SHOWN) / self.low) / math.log10(
                self.high / self.low
            )
        else:
            place = (value - self.low) / (self.high - self.low)
        return self.bottom - min(max(place, 0.0), 1.0) * (self.bottom - self.top)


def draw(
    curve: Curve,
    *,
    name: str,
    unit: str,
    logarithmic: bool,
    thresholds: Sequence[Threshold] = (),
    events: Sequence[Event] = (),
    height: float = 217.0,
) -> Drawing:
    """The picture of a curve whose values are in `unit`."""
    top, bottom, right = _TOP, height - _BOTTOM, WIDTH - _RIGHT
    scale = _scale(curve, thresholds, logarithmic, top, bottom)
    span_ns = curve.until_ns - curve.since_ns

    def across(time_ns: int) -> float:
        share = (time_ns - curve.since_ns) / span_ns
        return _LEFT + min(max(share, 0.0), 1.0) * (right - _LEFT)

    items: list[Line | Area | Label] = [
        Label((_LEFT, 11), f"{name}, {unit}" if unit else name, 10.0),
        *_grid(scale, right),
        *_times(curve, across, top, bottom),
    ]
    for begin, end in curve.gaps():
        items += _gap(across(begin), across(end), top, bottom)
    for run in curve.runs:
        items += _run(run, across, scale)
    for threshold in thresholds:
        items += _threshold(threshold, scale, right)
    for event in sorted(events, key=lambda e: e.main):
        if curve.since_ns <= event.time_ns <= curve.until_ns:
            items += _event(event, across(event.time_ns), top, bottom)
    items.append(
        Line(((_LEFT, top), (_LEFT, bottom), (right, bottom), (right, top), (_LEFT, top)), INK, 0.8)
    )
    shown = sum(len(run.spots) for run in curve.runs)
    says = f"{name} over time: {shown} points drawn, {len(curve.gaps())} gaps"
    return Drawing(WIDTH, height, tuple(items), says)


def _scale(
    curve: Curve, thresholds: Sequence[Threshold], logarithmic: bool, top: float, bottom: float
) -> _Scale:
    values = [s.value for run in curve.runs for s in run.spots]
    values += [t.value for t in thresholds]
    if logarithmic:
        above = [v for v in values if v > _LEAST_SHOWN]
        low = 10.0 ** math.floor(math.log10(min(above, default=1.0)))
        high = 10.0 ** math.ceil(math.log10(max(above, default=10.0) * 1.05))
        # What reads zero must be seen to do so: it lies on the lower edge, a decade below the rest.
        low = low / 10 if len(above) < len(values) else low
        return _Scale(low, max(high, low * 10), True, top, bottom)
    low, high = min(values, default=0.0), max(values, default=1.0)
    room = 0.08 * (high - low) or max(abs(high) * 0.05, 0.5)
    return _Scale(low - room, high + room, False, top, bottom)


def _grid(scale: _Scale, right: float) -> list[Line | Area | Label]:
    items: list[Line | Area | Label] = []
    for value in _levels(scale):
        y = scale(value)
        items.append(Line(((_LEFT, y), (right, y)), GRID, 0.6))
        text = f"{value:,.10g}".replace(",", "\u2009").replace("-", "\u2212")
        items.append(Label((_LEFT - 5, y + 3), text, 8.0, "end"))
    return items


def _levels(scale: _Scale) -> list[float]:
    if scale.logarithmic:
        first, last = (round(math.log10(v)) for v in (scale.low, scale.high))
        return [10.0**power for power in range(first, last + 1)]
    rough = (scale.high - scale.low) / 4
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough)
    first, last = math.ceil(scale.low / step), math.floor(scale.high / step)
    return [k * step for k in range(first, last + 1)]


def _times(
    curve: Curve, across: Callable[[int], float], top: float, bottom: float
) -> list[Line | Area | Label]:
    span_s = (curve.until_ns - curve.since_ns) / _S
    step_s = next((s for s in _STEPS_S if span_s / s <= _TIMES_MOST), _STEPS_S[-1])
    items: list[Line | Area | Label] = []
    for k in range(-(-curve.since_ns // (step_s * _S)), curve.until_ns // (step_s * _S) + 1):
        time_ns = k * step_s * _S
        x = across(time_ns)
        moment = datetime.fromtimestamp(time_ns // _S, UTC)
        midnight = step_s >= 86_400
        text = f"{moment:%d %b}" if midnight else f"{moment:%H:%M}"
        text = f"{moment:%H:%M:%S}" if step_s < 60 else text
        items.append(Line(((x, top), (x, bottom)), GRID, 0.6))
        items.append(Label((x, bottom + 12), text, 8.0, "middle"))
    first, last = (datetime.fromtimestamp(t // _S, UTC) for t in (curve.since_ns, curve.until_ns))
    days = f"{first:%Y-%m-%d}" if first.date() == last.date() else f"{first:%F} to {last:%F}"
    items.append(Label((WIDTH - _RIGHT, bottom + 26), f"{days}, UTC", 8.0, "end", PALE))
    return items


def _gap(left: float, right: float, top: float, bottom: float) -> list[Line | Area | Label]:
    items: list[Line | Area | Label] = [
        Area(((left, top), (right, top), (right, bottom), (left, bottom)), "#f1ede4")
    ]
    pitch = 14.0
    for k in range(int(left // pitch), int((right + bottom - top) // pitch) + 1):
        # A stroke at 45 degrees, from the lower edge up, cut off at the edges of the gap.
        foot = k * pitch
        begin, end = max(foot - (bottom - top), left), min(foot, right)
        if begin < end:
            spots = ((begin, top + begin - foot + bottom - top), (end, bottom - foot + end))
            items.append(Line(spots, "#cfc7b5", 0.5))
    if right - left > 70:
        middle = ((left + right) / 2, (top + bottom) / 2)
        items.append(Label(middle, "not measured", 8.5, "middle", "#6b6350"))
    return items


def _run(run: Run, across: Callable[[int], float], scale: _Scale) -> list[Line | Area | Label]:
    items: list[Line | Area | Label] = []
    known = [s for s in run.spots if s.uncertainty is not None]
    if len(known) == len(run.spots) and len(known) > 1:
        upper, lower = (
            [(across(s.time_ns), scale(s.value + k * (s.uncertainty or 0.0))) for s in known]
            for k in (_K, -_K)
        )
        items.append(Area((*upper, *reversed(lower)), BLUE, 0.16))
    spots: list[Spot] = [(across(s.time_ns), scale(s.value)) for s in run.spots]
    if spots[-1][0] - spots[0][0] < _EDGE:  # what lasted less than a point of the drawing is seen
        spots.append((spots[0][0] + _EDGE, spots[-1][1]))
    items.append(Line(tuple(spots), BLUE, 1.4, _DASHES[run.kind]))
    return items


def _threshold(threshold: Threshold, scale: _Scale, right: float) -> list[Line | Area | Label]:
    y = scale(threshold.value)
    return [
        Line(((_LEFT, y), (right, y)), RED, 0.9, (8.0, 3.0)),
        Label((right - 4, y - 3), threshold.name, 8.0, "end", RED),
    ]


def _event(event: Event, x: float, top: float, bottom: float) -> list[Line | Area | Label]:
    if not event.main:
        return [
            Line(((x, bottom - 12), (x, bottom)), INK, 1.2),
            Label((x + 2, bottom - 4), event.name, 7.5),
        ]
    return [
        Line(((x, top - 4), (x, bottom)), INK, 1.4),
        Area(((x - 5, top - 10), (x + 5, top - 10), (x, top)), INK),
        Label((x, top - 13), event.name, 8.5, "middle" if x < WIDTH - 60 else "end"),
    ]
