"""The rotor: a field winding as a ladder of resistors with capacitance and faults to earth.

The winding is split into `SEGMENTS` resistors between the negative ring (location 0) and the
positive ring (location 1). The nodes between them share the winding-to-shaft capacitance and the
healthy insulation; each fault gets a node of its own. The field source is ideal and holds the two
rings apart, which closes the ladder to a ring. `simulator.ladder` solves it, with all its modes in
time: between two changes of the source or of the slope of the field voltage the solution is exact.

It refuses: magnetic effects, a field source with impedance, non-linear faults.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from simulator.ladder import Floats, Ladder, Modes, eliminate, substitute

SEGMENTS = 100
_LOCATION_DIGITS = 9
# IEC 60034-1, temperature by resistance: k = 235 for copper. Reference 20 degC.
_COPPER_K = 235.0
_REFERENCE_C = 20.0


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


@dataclass(frozen=True, slots=True, eq=False)
class _Circuit:
    """A winding with its injection, as a ladder whose nodes are at `locations`."""

    locations: tuple[float, ...]
    ladder: Ladder
    port: _Port

    def at_rest(self, emf_v: float, field_v: float) -> list[float]:
        """Return the settled node potentials in volts."""
        # A node's unknown is its potential less its share of the field voltage.
        leaks, port = self.ladder.leaks_s, self.port
        currents = [-g * x * field_v for g, x in zip(leaks, self.locations, strict=True)]
        unknowns = self.ladder.at_rest(currents, port.conductance_s * emf_v - port.tap_s * field_v)
        return [u + x * field_v for u, x in zip(unknowns, self.locations, strict=True)]


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """What follows a change while the source stays and the field voltage has one slope.

    Durations count in seconds from the change. `rest_v` is where the nodes would be at the change
    without any transient, `charges_c` what is on them beyond that.
    """

    circuit: _Circuit
    emf_v: float
    field_v: float
    slope_v_per_s: float
    rest_v: Floats
    rest_v_per_s: Floats
    charges_c: Floats

    def at(self, duration_s: float) -> Potentials:
        """Return the potentials after a duration."""
        volts = self.rest_v + self.rest_v_per_s * duration_s
        for modes in self._modes(duration_s):
            volts += modes.left(self.charges_c, duration_s)
        return Potentials(self.circuit.locations, tuple(volts.tolist()))

    def source_current_a(self, durations_s: Floats) -> Floats:
        """Return the currents in amperes out of the injection source after rising durations."""
        negative_v = self.rest_v[0] + self.rest_v_per_s[0] * durations_s
        for modes in self._modes(durations_s[0]) if len(durations_s) else ():
            negative_v += modes.left_at_rings(self.charges_c, durations_s)
        field_v = self.field_v + self.slope_v_per_s * durations_s
        port = self.circuit.port
        current_a: Floats = port.conductance_s * (self.emf_v - negative_v) - port.tap_s * field_v
        return current_a

    def _modes(self, since_s: float) -> tuple[Modes, ...]:
        return self.circuit.ladder.modes(since_s) if self.charges_c.any() else ()


def copper_resistance_ohm(reference_ohm: float, temperature_c: float) -> float:
    """Return a copper winding's resistance in ohms, from its value at 20 degC.

    Source: IEC 60034-1, temperature rise by resistance, k = 235 for copper.
    """
    return reference_ohm * (_COPPER_K + temperature_c) / (_COPPER_K + _REFERENCE_C)


def steady(winding: Winding, injection: Injection, emf_v: float, field_v: float) -> Potentials:
    """Return the potentials after everything has settled; `emf_v` and `field_v` in volts."""
    circuit = _circuit(winding, injection)
    return Potentials(circuit.locations, _at_rest(circuit, emf_v, field_v))


def course(
    winding: Winding,
    injection: Injection,
    start: Potentials | None,
    *,
    emf_v: float,
    field_v: float,
    slope_v_per_s: float = 0.0,
) -> Course:
    """Return what follows when source and field voltage become `emf_v` and `field_v` (volts).

    `start` holds the potentials just before, None a winding without charge. From then on the field
    voltage changes by `slope_v_per_s`. When it jumps, the field source moves charge from one ring
    to the other at once.
    """
    circuit = _circuit(winding, injection)
    ladder = circuit.ladder
    capacitances = np.array(ladder.capacitances_f)
    rest_v = np.array(_at_rest(circuit, emf_v, field_v))
    rest_v_per_s = np.zeros_like(rest_v)
    if slope_v_per_s:
        rest_v_per_s = np.array(_at_rest(circuit, 0.0, slope_v_per_s))
        # The charging current of a steady slope keeps the nodes behind.
        rest_v -= ladder.at_rest((capacitances * rest_v_per_s).tolist(), 0.0)
    before = 0.0 if start is None else np.array(start.at(circuit.locations))
    charges = capacitances * (before - rest_v)
    return Course(circuit, emf_v, field_v, slope_v_per_s, rest_v, rest_v_per_s, charges)


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
    return course(winding, injection, start, emf_v=emf_v, field_v=field_v).at(duration_s)


def source_current_a(
    injection: Injection, potentials: Potentials, emf_v: float, field_v: float
) -> float:
    """Return the current in amperes out of the injection source, positive into the winding."""
    port = _port(injection)
    return port.conductance_s * (emf_v - potentials.volts[0]) - port.tap_s * field_v


def fault_current_a(potentials: Potentials, fault: Fault) -> float:
    """Return the current in amperes that flows through `fault` to the shaft."""
    return potentials.at((_place(fault),))[0] / fault.resistance_ohm


def settling_time_constant_s(winding: Winding, injection: Injection) -> float:
    """Return the time constant in seconds with which the whole winding charges."""
    if winding.capacitance_f == 0:
        return 0.0
    return 1.0 / _circuit(winding, injection).ladder.least_decay_per_s()


def ripple_current_a(
    winding: Winding, injection: Injection, ripple_v: complex, frequency_hz: float
) -> complex:
    """Return the phasor in amperes of the source current for a field-voltage ripple `ripple_v`."""
    negative_v, port = _ripple_v(winding, injection, ripple_v, frequency_hz)[0], _port(injection)
    return -port.conductance_s * negative_v - port.tap_s * ripple_v


def ripple_potentials(
    winding: Winding, injection: Injection, ripple_v: complex, frequency_hz: float
) -> Potentials:
    """Return the node potentials at the instant at which a ripple has the phasor `ripple_v`."""
    phasors = _ripple_v(winding, injection, ripple_v, frequency_hz)
    locations = _circuit(winding, injection).locations
    return Potentials(locations, tuple(phasor.real for phasor in phasors))


def _ripple_v(
    winding: Winding, injection: Injection, ripple_v: complex, frequency_hz: float
) -> list[complex]:
    circuit = _circuit(winding, injection)
    ladder, locations, port = circuit.ladder, circuit.locations, circuit.port
    omega = 2 * math.pi * frequency_hz
    admittances = [
        complex(g, omega * c) for g, c in zip(ladder.leaks_s, ladder.capacitances_f, strict=True)
    ]
    factors = eliminate([complex(g) for g in ladder.segments_s], admittances)
    currents = [-y * x * ripple_v for y, x in zip(admittances, locations, strict=True)]
    unknowns = substitute(factors, currents, complex(port.conductance_s), -port.tap_s * ripple_v)
    return [u + x * ripple_v for u, x in zip(unknowns, locations, strict=True)]


def _place(fault: Fault) -> float:
    # Faults nearer to each other than a billionth of the winding share a node.
    return round(fault.location, _LOCATION_DIGITS)


def _port(injection: Injection) -> _Port:
    if isinstance(injection, TerminalInjection):
        return _Port(1.0 / injection.series_ohm, 0.0)
    to_positive = 1.0 / injection.positive_ohm
    to_negative = 1.0 / injection.negative_ohm
    to_source = 1.0 / injection.source_ohm
    total = to_positive + to_negative + to_source
    return _Port(to_source * (to_positive + to_negative) / total, to_source * to_positive / total)


@lru_cache(maxsize=256)
def _at_rest(circuit: _Circuit, emf_v: float, field_v: float) -> tuple[float, ...]:
    # A source that only changes its sign comes back to the same two states again and again.
    return tuple(circuit.at_rest(emf_v, field_v))


@lru_cache(maxsize=64)
def _circuit(winding: Winding, injection: Injection) -> _Circuit:
    even = [k / SEGMENTS for k in range(SEGMENTS + 1)]
    places = [_place(fault) for fault in winding.faults]
    locations = tuple(sorted({*even, *places}))
    # A fault's own node takes nothing over from its neighbours: its coming moves no charge.
    shares = dict.fromkeys(locations, 0.0) | dict.fromkeys(even, 1 / SEGMENTS)
    shares[0.0] = shares[1.0] = 0.5 / SEGMENTS
    leaks = {place: share / winding.insulation_ohm for place, share in shares.items()}
    for fault, place in zip(winding.faults, places, strict=True):
        leaks[place] += 1.0 / fault.resistance_ohm
    port = _port(injection)
    ladder = Ladder(
        tuple(1.0 / (winding.resistance_ohm * (b - a)) for a, b in pairwise(locations)),
        tuple(leaks.values()),
        tuple(share * winding.capacitance_f for share in shares.values()),
        port.conductance_s,
    )
    return _Circuit(locations, ladder, port)
