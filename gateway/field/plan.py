"""Which registers to read together: the fewest bus-seconds that bring every wanted point.

PURE. Refuses (ValueError) a point that the device's own limits make unreadable; it never splits
a point over two requests, since a value torn between two reads can mix two values, never reads
what the profile calls unreadable, and never merges different function codes.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from math import inf
from typing import Final

BIT_FUNCTIONS: Final = frozenset({1, 2})  # coils and discrete inputs, eight to a byte of reply


def reply_bytes(function: int, count: int) -> int:
    """Data bytes of a good reply (Modbus application protocol V1.1b3, 6.1 to 6.4)."""
    return (count + 7) // 8 if function in BIT_FUNCTIONS else 2 * count


@dataclass(frozen=True, slots=True)
class Span:
    """A named run of addresses in one function's table, counted as on the wire (from 0)."""

    name: str
    function: int
    address: int
    count: int

    @property
    def end(self) -> int:
        """The first address behind it."""
        return self.address + self.count


@dataclass(frozen=True, slots=True)
class Limits:
    """What one device allows."""

    registers_per_request: int = 125
    bits_per_request: int = 2000
    unreadable: tuple[Span, ...] = ()

    def longest(self, function: int) -> int:
        """Registers or bits that one request may ask for."""
        return self.bits_per_request if function in BIT_FUNCTIONS else self.registers_per_request


@dataclass(frozen=True, slots=True)
class Cost:
    """Bus time of one request: a part that each request pays, and a part for each data byte."""

    fixed_s: float
    per_byte_s: float

    def of(self, function: int, count: int) -> float:
        """Seconds for one request of this many registers or bits."""
        return self.fixed_s + self.per_byte_s * reply_bytes(function, count)


@dataclass(frozen=True, slots=True)
class Request:
    """One read, and the points that its reply brings."""

    function: int
    address: int
    count: int
    spans: tuple[Span, ...]


def plan(points: Sequence[Span], limits: Limits, cost: Cost) -> tuple[Request, ...]:
    """The cheapest set of requests that reads every point; in the order of the addresses.

    Raises ValueError for a point longer than a request may be, or within an unreadable run.
    """
    ordered = sorted(points, key=lambda p: (p.function, p.address, p.count))
    return tuple(
        request
        for function, group in groupby(ordered, key=lambda p: p.function)
        for request in _plan_function(function, list(group), limits, cost)
    )


def _plan_function(function: int, points: list[Span], limits: Limits, cost: Cost) -> list[Request]:
    # Sorted by first address, some cheapest partition is made of consecutive runs: where two
    # requests overlap, the points of one of them can be moved to the other without making
    # either longer. So the best plan of the first k points extends a best plan of fewer.
    gaps = [u for u in limits.unreadable if u.function == function]
    longest = limits.longest(function)
    best = [0.0] + [inf] * len(points)
    cut = [0] * (len(points) + 1)
    for first, point in enumerate(points):
        if best[first] == inf:
            break
        end = 0
        for last in range(first, len(points)):
            end = max(end, points[last].end)
            if end - point.address > longest or any(
                g.address < end and point.address < g.end for g in gaps
            ):
                break
            total = best[first] + cost.of(function, end - point.address)
            if total < best[last + 1]:
                best[last + 1], cut[last + 1] = total, first
    if best[-1] == inf:
        raise ValueError(_unreadable(points, longest, gaps))
    requests: list[Request] = []
    stop = len(points)
    while stop:
        run = tuple(points[cut[stop] : stop])
        start = run[0].address
        requests.append(Request(function, start, max(p.end for p in run) - start, run))
        stop = cut[stop]
    return requests[::-1]


def _unreadable(points: list[Span], longest: int, gaps: list[Span]) -> str:
    for point in points:
        if point.count > longest:
            return (
                f"{point.name} takes {point.count} addresses, but the profile allows {longest} "
                "in one request; allow more, or leave the point out"
            )
        if any(g.address < point.end and point.address < g.end for g in gaps):
            return (
                f"{point.name} (function {point.function}, address {point.address} on the wire) "
                "lies in a run that the profile calls unreadable; correct one of the two"
            )
    raise AssertionError("a plan failed although each point can be read alone")
