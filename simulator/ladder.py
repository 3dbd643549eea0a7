"""A ring of conductances with leaks and capacitances to earth, and how it settles.

The nodes run from the negative ring (first) to the positive ring (last). Both are one node here:
a stiff field source between them holds their potentials apart by a known voltage, and each node's
unknown is its potential less its share of that voltage. A source reaches the rings through
`port_s`. Nodes without capacitance (faults between two segments) follow their neighbours at once.

Whatever hangs on a small difference is made by eliminating node after node (star-mesh
transformation), where conductances stay sums of positive terms, so that milliohms of copper beside
megohms of insulation cost no digits. In time the ladder has one slow mode (the whole winding
charging through the source: milliseconds and more) and, far away from it, those of the copper with
its capacitance (nanoseconds for milliohms). A general eigensolver loses the digits of the slow one
in the rounding of the others. So inverse iteration by elimination finds it, and the solver sees
what is left when it is taken out. All modes together are the whole solution, not an approach to it.

It refuses: anything non-linear, inductance, capacitance between nodes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Generic, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
Number = TypeVar("Number", float, complex)

# exp(-745.2) is the smallest number above zero that double precision has.
_GONE = 746.0
_ROUNDS = 60
_SAME = 1e-15


@dataclass(frozen=True, slots=True)
class Factors(Generic[Number]):
    """The eliminated ring: what each inner node hands on, and what is left at the rings."""

    to_next: tuple[Number, ...]
    to_rings: tuple[Number, ...]
    inverse_total: tuple[Number, ...]
    rings_s: Number


@dataclass(frozen=True, slots=True, eq=False)
class Modes:
    """Shapes (one a column, orthonormal with the capacitances as weights) and their decays.

    No decay is below `least_per_s`.
    """

    shapes: Floats
    decays_per_s: Floats
    least_per_s: float

    def left(self, charges_c: Floats, duration_s: float) -> Floats:
        """Return what is left at each node of charges put onto them `duration_s` before."""
        contents = charges_c @ self.shapes
        return self.shapes @ (contents * np.exp(-self.decays_per_s * duration_s))

    def left_at_rings(self, charges_c: Floats, durations_s: Floats) -> Floats:
        """Return what is left of such charges at the rings after each of many durations."""
        left = np.zeros(len(durations_s))
        there = durations_s * self.least_per_s < _GONE
        decayed = np.exp(np.outer(durations_s[there], -self.decays_per_s))
        left[there] = decayed @ (self.shapes[0] * (charges_c @ self.shapes))
        return left


@dataclass(frozen=True, slots=True)
class _Reduced:
    """The ladder without the nodes that have no capacitance: these follow their neighbours.

    A follower is (node, kept node before it, share of that, share of the node after it).
    """

    kept: tuple[int, ...]
    segments_s: tuple[float, ...]
    leaks_s: Floats
    capacitances_f: Floats
    followers: tuple[tuple[int, int, float, float], ...]


@dataclass(frozen=True)
class Ladder:
    """The elements: `segments_s` between neighbours, the others from each node to earth."""

    segments_s: tuple[float, ...]
    leaks_s: tuple[float, ...]
    capacitances_f: tuple[float, ...]
    port_s: float

    def at_rest(self, currents_a: Sequence[float], port_a: float) -> list[float]:
        """Return the settled unknowns for currents in amperes into the nodes and the port."""
        return substitute(self._factors, currents_a, self.port_s, port_a)

    def modes(self, since_s: float) -> tuple[Modes, ...]:
        """Return the modes of which double precision can see anything after a duration."""
        if self.slow is None:
            return (self._fast,)
        gone = since_s * self._others_per_s >= _GONE
        return (self.slow,) if gone else (self.slow, self._fast)

    def least_decay_per_s(self) -> float:
        """Return the decay of the slowest mode."""
        return float((self.slow or self._fast).decays_per_s[0])

    @cached_property
    def slow(self) -> Modes | None:
        """The slowest mode where it stands apart from all others, else None."""
        capacitances = np.array(self.capacitances_f)
        mode = np.full(len(capacitances), float(capacitances.sum()) ** -0.5)
        for _ in range(_ROUNDS):
            charges = capacitances * mode
            raw = np.array(self.at_rest(charges.tolist(), 0.0))
            square = float(capacitances @ raw**2)
            decay = float(charges @ raw) / square
            before, mode = mode, raw / math.sqrt(square)
            # What is wrong still is the last change times, at most, the ratio of both decays.
            change = float(np.max(np.abs(mode - before)) / np.max(mode))
            if change * min(decay / self._others_per_s, 1.0) <= _SAME:
                return Modes(mode[:, np.newaxis], np.array([decay]), decay)
        return None

    @cached_property
    def _factors(self) -> Factors[float]:
        return eliminate(self.segments_s, self.leaks_s)

    @cached_property
    def _others_per_s(self) -> float:
        """A decay that only the slowest mode can fall below: the ring's own, cut off from earth.

        A ring of n equal conductances g and capacitances c has decays of 4 g/c sin(pi k/n)^2.
        More conductance anywhere and less capacitance make every mode faster (Rayleigh).
        """
        reduced = self._reduced
        slope = min(reduced.segments_s) / float(np.max(reduced.capacitances_f))
        return 4.0 * slope * math.sin(math.pi / len(reduced.segments_s)) ** 2

    @cached_property
    def _fast(self) -> Modes:
        """All modes but the slow one; all of them where that does not stand apart."""
        reduced, roots = self._reduced, np.sqrt(self._reduced.capacitances_f)
        nodes = list(reduced.kept[:-1])
        basis = np.eye(len(nodes))
        if self.slow is not None:
            # A reflection turns the slow mode into the first axis, which is then left out.
            axis = self.slow.shapes[nodes, 0] * roots
            axis[0] += 1.0
            basis = (basis - np.outer(axis, axis) * (2.0 / (axis @ axis)))[:, 1:]
        symmetric = _ring_matrix(reduced, self.port_s) / np.outer(roots, roots)
        decays, vectors = np.linalg.eigh(basis.T @ symmetric @ basis)
        shapes = np.empty((len(self.leaks_s), len(decays)))
        shapes[nodes] = (basis @ vectors) / roots[:, np.newaxis]
        shapes[-1] = shapes[0]
        for node, before, from_before, from_next in reversed(reduced.followers):
            shapes[node] = from_before * shapes[before] + from_next * shapes[node + 1]
        least = float(decays[0]) if self.slow is None else self._others_per_s
        return Modes(shapes, decays, least)

    @cached_property
    def _reduced(self) -> _Reduced:
        leaks, last = list(self.leaks_s), len(self.leaks_s) - 1
        kept, segments, followers = [0], [], []
        segment = self.segments_s[0]
        for node in range(1, last):
            after = self.segments_s[node]
            if self.capacitances_f[node] > 0:
                kept.append(node)
                segments.append(segment)
                segment = after
                continue
            total = segment + after + leaks[node]
            from_before, from_next = segment / total, after / total
            leaks[kept[-1]] += from_before * leaks[node]
            leaks[node + 1] += from_next * leaks[node]
            followers.append((node, kept[-1], from_before, from_next))
            segment = from_before * after
        merged_leaks = np.array([leaks[k] for k in kept])
        merged_leaks[0] += leaks[last]
        capacitances = np.array([self.capacitances_f[k] for k in kept])
        capacitances[0] += self.capacitances_f[last]
        return _Reduced(
            (*kept, last), (*segments, segment), merged_leaks, capacitances, tuple(followers)
        )


def _ring_matrix(reduced: _Reduced, port_s: float) -> Floats:
    """Return the conductance matrix of a ring in which every node has capacitance."""
    matrix = np.diag(reduced.leaks_s)
    matrix[0, 0] += port_s
    for k, segment in enumerate(reduced.segments_s):
        after = (k + 1) % len(matrix)
        matrix[k, k] += segment
        matrix[after, after] += segment
        matrix[k, after] -= segment
        matrix[after, k] -= segment
    return matrix


def eliminate(segments_s: Sequence[Number], leaks_s: Sequence[Number]) -> Factors[Number]:
    """Eliminate the inner nodes of the ring, from the negative ring upwards."""
    leaks = list(leaks_s)
    to_next, to_rings, inverse_total = [], [], []
    fill = segments_s[0]
    rings = leaks[0]
    for k in range(1, len(leaks) - 1):
        segment, leak = segments_s[k], leaks[k]
        inverse = 1.0 / (fill + segment + leak)
        next_part, rings_part = segment * inverse, fill * inverse
        rings += rings_part * leak
        leaks[k + 1] += next_part * leak
        fill *= next_part
        to_next.append(next_part)
        to_rings.append(rings_part)
        inverse_total.append(inverse)
    rings += leaks[-1]
    return Factors(tuple(to_next), tuple(to_rings), tuple(inverse_total), rings)


def substitute(
    factors: Factors[Number],
    currents_a: Sequence[Number],
    port_s: Number,
    port_a: Number,
) -> list[Number]:
    """Return the ring's unknowns for currents into its nodes and a source at the rings."""
    currents = list(currents_a)
    rings = currents[0]
    for k, (next_part, rings_part) in enumerate(
        zip(factors.to_next, factors.to_rings, strict=True), start=1
    ):
        rings += rings_part * currents[k]
        currents[k + 1] += next_part * currents[k]
    rings += currents[-1]
    base = (rings + port_a) / (factors.rings_s + port_s)
    unknowns = [base] * len(currents)
    for k in range(len(currents) - 2, 0, -1):
        unknowns[k] = (
            currents[k] * factors.inverse_total[k - 1]
            + factors.to_next[k - 1] * unknowns[k + 1]
            + factors.to_rings[k - 1] * base
        )
    return unknowns
