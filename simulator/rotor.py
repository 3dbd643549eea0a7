"""The rotor: a field winding as a ladder of resistors with capacitance and faults to earth.

The winding is split into at least `SEGMENTS` resistors between the negative ring (location 0) and
the positive ring (location 1); each fault gets a node of its own. Every node has its share of the
winding-to-shaft capacitance and of the healthy insulation. The field source is ideal and holds the
two rings apart, which closes the ladder to a ring. The ring is solved by eliminating node after
node (star-mesh transformation). All conductances stay sums of positive terms, so milliohms of
copper beside megohms of insulation cost no digits, unlike a general nodal solver.

In time the ladder has one slow mode (the whole winding charging through the injection resistance,
milliseconds and more) and modes of microseconds. The slow one is kept exactly; the fast ones are
taken as settled.

It refuses: magnetic effects, a field source with impedance, non-linear faults.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Generic, TypeVar

SEGMENTS = 100
_LOCATION_DIGITS = 9
# IEC 60034-1, temperature by resistance: k = 235 for copper. Reference 20 degC.
_COPPER_K = 235.0
_REFERENCE_C = 20.0

_Number = TypeVar("_Number", float, complex)


@dataclass(frozen=True, slots=True)
class Fault:
    """A conducting path to the shaft at `location` (0 negative ring, 1 positive ring)."""

    location: float
    resistance_ohm: float


@dataclass(frozen=True, slots=True)
class Winding:
    """A field winding as it is at one instant.

    `resistance_ohm` is that of the copper at its present temperature, `insulation_ohm` the healthy
    insulation spread evenly over the winding, `capacitance_f` the capacitance spread likewise.
    """

    resistance_ohm: float
    insulation_ohm: float
    capacitance_f: float
    faults: tuple[Fault, ...] = ()


@dataclass(frozen=True, slots=True)
class TerminalInjection:
    """A source to the negative terminal; `series_ohm` is everything in series, brush included."""

    series_ohm: float


@dataclass(frozen=True, slots=True)
class MidpointInjection:
    """A source behind `source_ohm` to the middle of two coupling resistors across the rings."""

    positive_ohm: float
    negative_ohm: float
    source_ohm: float


Injection = TerminalInjection | MidpointInjection


@dataclass(frozen=True, slots=True)
class Potentials:
    """Node potentials to earth in volts, at `locations` along the winding."""

    locations: tuple[float, ...]
    volts: tuple[float, ...]

    def at(self, locations: tuple[float, ...]) -> tuple[float, ...]:
        """Return the potentials at other locations, interpolated along the copper."""
        if locations == self.locations:
            return self.volts
        found = []
        for location in locations:
            k = min(max(bisect_right(self.locations, location) - 1, 0), len(self.locations) - 2)
            left, right = self.locations[k], self.locations[k + 1]
            part = (location - left) / (right - left)
            found.append(self.volts[k] * (1 - part) + self.volts[k + 1] * part)
        return tuple(found)


@dataclass(frozen=True, slots=True)
class _Port:
    """An injection circuit as the negative terminal sees it: i = g (e - v) - tap * field."""

    conductance_s: float
    tap_s: float


@dataclass(frozen=True, slots=True)
class _Factors(Generic[_Number]):
    """The eliminated ring: what each inner node hands on, and what is left at the rings."""

    to_next: tuple[_Number, ...]
    to_rings: tuple[_Number, ...]
    inverse_total: tuple[_Number, ...]
    rings_s: _Number


@dataclass(frozen=True, slots=True)
class _Ladder:
    locations: tuple[float, ...]
    segments_s: tuple[float, ...]
    leaks_s: tuple[float, ...]
    capacitances_f: tuple[float, ...]
    factors: _Factors[float]
    port: _Port
    mode: tuple[float, ...]
    decay_per_s: float


def copper_resistance_ohm(reference_ohm: float, temperature_c: float) -> float:
    """Return a copper winding's resistance in ohms, from its value at 20 degC.

    Source: IEC 60034-1, temperature rise by resistance, k = 235 for copper.
    """
    return reference_ohm * (_COPPER_K + temperature_c) / (_COPPER_K + _REFERENCE_C)


def steady(winding: Winding, injection: Injection, emf_v: float, field_v: float) -> Potentials:
    """Return the potentials after everything has settled; `emf_v` and `field_v` in volts."""
    ladder = _ladder(winding, injection)
    return _steady(ladder, emf_v, field_v)


def settle(
    winding: Winding,
    injection: Injection,
    start: Potentials | None,
    *,
    emf_v: float,
    field_v: float,
    duration_s: float,
) -> Potentials:
    """Return the potentials `duration_s` seconds after the source has been switched to `emf_v`.

    `start` holds the potentials at the moment of switching, None a winding without charge.
    """
    ladder = _ladder(winding, injection)
    final = _steady(ladder, emf_v, field_v)
    if winding.capacitance_f == 0:
        return final
    before = (0.0,) * len(final.volts) if start is None else start.at(ladder.locations)
    charge = sum(
        c * m * (v - w)
        for c, m, v, w in zip(ladder.capacitances_f, ladder.mode, before, final.volts, strict=True)
    )
    left = charge * math.exp(-ladder.decay_per_s * duration_s)
    volts = tuple(w + left * m for w, m in zip(final.volts, ladder.mode, strict=True))
    return Potentials(ladder.locations, volts)


def source_current_a(
    injection: Injection, potentials: Potentials, emf_v: float, field_v: float
) -> float:
    """Return the current in amperes out of the injection source, positive into the winding."""
    port = _port(injection)
    return port.conductance_s * (emf_v - potentials.volts[0]) - port.tap_s * field_v


def fault_current_a(potentials: Potentials, fault: Fault) -> float:
    """Return the current in amperes that flows through `fault` to the shaft."""
    return potentials.at((fault.location,))[0] / fault.resistance_ohm


def settling_time_constant_s(winding: Winding, injection: Injection) -> float:
    """Return the time constant in seconds with which the whole winding charges."""
    return 1.0 / _ladder(winding, injection).decay_per_s


def ripple_current_a(
    winding: Winding, injection: Injection, ripple_v: float, frequency_hz: float
) -> complex:
    """Return the phasor in amperes of the source current for a field-voltage ripple `ripple_v`."""
    ladder = _ladder(winding, injection)
    omega = 2 * math.pi * frequency_hz
    admittances = tuple(
        complex(g, omega * c) for g, c in zip(ladder.leaks_s, ladder.capacitances_f, strict=True)
    )
    segments = tuple(complex(g) for g in ladder.segments_s)
    factors = _eliminate(segments, admittances)
    currents = [-y * x * ripple_v for y, x in zip(admittances, ladder.locations, strict=True)]
    port = ladder.port
    ring = _substitute(
        factors, currents, complex(port.conductance_s), complex(-port.tap_s * ripple_v)
    )
    return -port.conductance_s * ring[0] - port.tap_s * ripple_v


def _port(injection: Injection) -> _Port:
    if isinstance(injection, TerminalInjection):
        return _Port(1.0 / injection.series_ohm, 0.0)
    to_positive = 1.0 / injection.positive_ohm
    to_negative = 1.0 / injection.negative_ohm
    to_source = 1.0 / injection.source_ohm
    total = to_positive + to_negative + to_source
    return _Port(to_source * (to_positive + to_negative) / total, to_source * to_positive / total)


def _steady(ladder: _Ladder, emf_v: float, field_v: float) -> Potentials:
    # Unknown at each node is its potential less the even share of the field voltage there: the
    # field source drops out and both rings become one node.
    currents = [-g * x * field_v for g, x in zip(ladder.leaks_s, ladder.locations, strict=True)]
    port = ladder.port
    ring = _substitute(
        ladder.factors,
        currents,
        port.conductance_s,
        port.conductance_s * emf_v - port.tap_s * field_v,
    )
    volts = tuple(u + x * field_v for u, x in zip(ring, ladder.locations, strict=True))
    return Potentials(ladder.locations, volts)


@lru_cache(maxsize=64)
def _ladder(winding: Winding, injection: Injection) -> _Ladder:
    even = [k / SEGMENTS for k in range(SEGMENTS + 1)]
    # Faults nearer to each other than a billionth of the winding share a node.
    places = [round(fault.location, _LOCATION_DIGITS) for fault in winding.faults]
    locations = tuple(sorted({*even, *places}))
    lengths = [b - a for a, b in pairwise(locations)]
    segments = tuple(1.0 / (winding.resistance_ohm * length) for length in lengths)
    shares = [
        (left + right) / 2 for left, right in zip([0.0, *lengths], [*lengths, 0.0], strict=True)
    ]
    leaks = [share / winding.insulation_ohm for share in shares]
    for fault, place in zip(winding.faults, places, strict=True):
        leaks[locations.index(place)] += 1.0 / fault.resistance_ohm
    capacitances = tuple(share * winding.capacitance_f for share in shares)
    factors = _eliminate(segments, leaks)
    port = _port(injection)
    mode, decay = _slow_mode(factors, port, capacitances)
    return _Ladder(locations, segments, tuple(leaks), capacitances, factors, port, mode, decay)


def _slow_mode(
    factors: _Factors[float], port: _Port, capacitances_f: tuple[float, ...]
) -> tuple[tuple[float, ...], float]:
    """Return the slowest mode, normed so that its capacitance-weighted square is 1, and its rate.

    Inverse iteration: the next mode decays at least a million times faster, so that two rounds
    give all digits.
    """
    if not any(capacitances_f):
        return (0.0,) * len(capacitances_f), math.inf
    mode = [1.0] * len(capacitances_f)
    decay = 0.0
    for _ in range(2):
        charges = [c * m for c, m in zip(capacitances_f, mode, strict=True)]
        raw = _substitute(factors, charges, port.conductance_s, 0.0)
        decay = sum(q * r for q, r in zip(charges, raw, strict=True)) / sum(
            c * r * r for c, r in zip(capacitances_f, raw, strict=True)
        )
        norm = math.sqrt(sum(c * r * r for c, r in zip(capacitances_f, raw, strict=True)))
        mode = [r / norm for r in raw]
    return tuple(mode), decay


def _eliminate(segments_s: Sequence[_Number], leaks_s: Sequence[_Number]) -> _Factors[_Number]:
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
    return _Factors(tuple(to_next), tuple(to_rings), tuple(inverse_total), rings)


def _substitute(
    factors: _Factors[_Number],
    currents_a: Sequence[_Number],
    port_s: _Number,
    port_a: _Number,
) -> list[_Number]:
    """Return the ring's potentials for currents into its nodes and a source at the rings."""
    currents = list(currents_a)
    rings = currents[0]
    for k, (next_part, rings_part) in enumerate(
        zip(factors.to_next, factors.to_rings, strict=True), start=1
    ):
        rings += rings_part * currents[k]
        currents[k + 1] += next_part * currents[k]
    rings += currents[-1]
    base = (rings + port_a) / (factors.rings_s + port_s)
    potentials = [base] * len(currents)
    for k in range(len(currents) - 2, 0, -1):
        potentials[k] = (
            currents[k] * factors.inverse_total[k - 1]
            + factors.to_next[k - 1] * potentials[k + 1]
            + factors.to_rings[k - 1] * base
        )
    return potentials
