"""The history of one tag made thin enough to be drawn, without losing its extremes.

A sample stands until the next one; where the next one is later than the archive restates values,
nothing was measured in between, and the curve has a gap. What was measured, what is only a bound
and what is an old value are kept apart. However long the history, memory is bounded: in each of the
bins in time, each kind keeps its first, lowest, highest and last value.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from gateway.tags import Limit, Sample

BINS: Final = 700  # about the points that a picture is wide
# The archive restates a standing value every 60 s; with one slow scan on top.
_STANDS_NS: Final = 90_000_000_000
_KEPT: Final = 4


class Kind(StrEnum):
    """How a value is to be taken."""

    MEASURED = "measured"
    BOUND = "only a bound: at least, or at most"
    OLD = "an old value or a stand-in"


@dataclass(frozen=True, slots=True)
class Spot:
    """One value of a curve, with its standard uncertainty."""

    time_ns: int
    value: float
    uncertainty: float | None


@dataclass(frozen=True, slots=True)
class Run:
    """A part of a curve without a gap and of one kind."""

    kind: Kind
    spots: tuple[Spot, ...]


@dataclass(frozen=True, slots=True)
class Curve:
    """A thinned history in the window [since, until]."""

    since_ns: int
    until_ns: int
    runs: tuple[Run, ...]

    def gaps(self) -> tuple[tuple[int, int], ...]:
        """Where nothing is known: pairs of begin and end, UTC nanoseconds."""
        found, known_to = [], self.since_ns
        for begin, end in sorted((r.spots[0].time_ns, r.spots[-1].time_ns) for r in self.runs):
            if begin > known_to:
                found.append((known_to, begin))
            known_to = max(known_to, end)
        if known_to < self.until_ns:
            found.append((known_to, self.until_ns))
        return tuple(found)


def thinned(history: Iterable[tuple[int, Sample]], since_ns: int, until_ns: int) -> Curve:
    """The curve of samples, each with the time of the step that took it in, oldest first.

    Raises ValueError for an empty window. Two-state values count as 0 and 1. Samples whose step is
    not after the one before it, as after a clock was set back, are left out.
    """
    if until_ns <= since_ns:
        raise ValueError("a curve needs a window that ends after it begins")
    thinner = _Thinner(since_ns, until_ns)
    for step_ns, sample in history:
        thinner.take(step_ns, sample)
    return thinner.curve()


class _Thinner:
    def __init__(self, since_ns: int, until_ns: int) -> None:
        self._since_ns, self._until_ns = since_ns, until_ns
        self._runs: list[tuple[Kind, list[Spot]]] = []
        self._open: dict[Kind, list[Spot]] = {}  # the run of each kind that may go on
        self._last: tuple[int, Kind, float, float | None] | None = None

    def take(self, step_ns: int, sample: Sample) -> None:
        before = self._last
        if before is not None:
            if step_ns <= before[0]:
                return
            self._hold(before, step_ns)
        self._last = None
        if sample.value is None:
            return
        kind, value = _kind(sample), float(sample.value)
        joined = before is not None and before[1] is kind and step_ns - before[0] <= _STANDS_NS
        self._add(kind, Spot(step_ns, value, sample.uncertainty), joined)
        self._last = (step_ns, kind, value, sample.uncertainty)

    def curve(self) -> Curve:
        if self._last is not None:
            self._hold(self._last, self._until_ns)
        runs = tuple(Run(kind, tuple(spots)) for kind, spots in self._runs)
        return Curve(self._since_ns, self._until_ns, runs)

    def _hold(self, last: tuple[int, Kind, float, float | None], until_ns: int) -> None:
        """The last value stands until the next one, but not longer than values are restated."""
        step_ns, kind, value, uncertainty = last
        end_ns = min(until_ns, step_ns + _STANDS_NS)
        if end_ns > step_ns:
            self._add(kind, Spot(end_ns, value, uncertainty), joined=True)

    def _add(self, kind: Kind, spot: Spot, joined: bool) -> None:
        run = self._open.get(kind)
        if run is None or not (joined or self._bin(run[-1]) == self._bin(spot)):
            run = self._open[kind] = []
            self._runs.append((kind, run))
        run.append(spot)
        place = self._bin(spot)
        if len(run) > _KEPT and self._bin(run[-1 - _KEPT]) == place:
            crowd = run[-1 - _KEPT :]
            inner = crowd[1:-1]
            low, high = min(inner, key=_value), max(inner, key=_value)
            kept = [s for s in inner if s is low or s is high]
            run[-1 - _KEPT :] = [crowd[0], *kept, crowd[-1]]

    def _bin(self, spot: Spot) -> int:
        return (spot.time_ns - self._since_ns) * BINS // (self._until_ns - self._since_ns)


def _value(spot: Spot) -> float:
    return spot.value


def _kind(sample: Sample) -> Kind:
    if not sample.measured_now:
        return Kind.OLD
    return Kind.MEASURED if sample.status.limit is Limit.NONE else Kind.BOUND
