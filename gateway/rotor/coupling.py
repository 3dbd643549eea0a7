"""The coupling network of a pulse source: currents of a fault, and the fault from the currents.

The source drives through a measuring resistor into a star point S, which is coupled to both ends
of the winding, or to one of them:

    P (+) o----+-----[ to_positive ]-----+
               |                         |
            alpha*Uf --[ Rf ]-- earth    S --[ measuring ]--( +E, -E )-- earth
               |                         |
    N (-) o----+-----[ to_negative ]-----+

Seen from the fault it is one source behind R0 at the tap beta, and the currents are

    i = (e + (alpha - beta) * Uf) / (R0 + Rf),  positive out of the source into the winding

Source
------
Kirchhoff's laws and Thevenin's theorem; IEEE C37.101 describes the method. Valid for one fault,
settled currents and a winding resistance far below every other one.
"""

from dataclasses import dataclass
from math import hypot

from gateway.rotor import pulse_injection
from gateway.rotor.measured import Measured
from gateway.rotor.pulse_injection import HalfCycles, Solution, Source


@dataclass(frozen=True, slots=True)
class Coupling:
    """Resistances [ohm] from the star point; None: not coupled to that end. One end may be 0."""

    to_positive_ohm: Measured | None
    to_negative_ohm: Measured | None
    measuring_ohm: Measured


@dataclass(frozen=True, slots=True)
class _Thevenin:
    """Tap [pu] and R0 [ohm], with the slope of each by the resistance to either end."""

    tap_pu: float
    resistance_ohm: float
    tap_slopes: tuple[float, float]
    resistance_slopes: tuple[float, float]
    u_parts_ohm: tuple[float, float, float]  # to the positive end, to the negative end, measuring

    @property
    def u_tap_pu(self) -> float:
        return hypot(*(s * u for s, u in zip(self.tap_slopes, self.u_parts_ohm[:2], strict=True)))

    @property
    def u_resistance_ohm(self) -> float:
        slopes = (*self.resistance_slopes, 1.0)
        return hypot(*(s * u for s, u in zip(slopes, self.u_parts_ohm, strict=True)))


def source(coupling: Coupling, amplitude_v: Measured) -> Source:
    """What the network is to the winding: its amplitude [V], R0 [ohm] and tap [pu].

    Raises ValueError for a network that touches the winding nowhere, or shorts it.
    """
    seen = _thevenin(coupling)
    return Source(amplitude_v, Measured(seen.resistance_ohm, seen.u_resistance_ohm), seen.tap_pu)


def half_cycles(
    coupling: Coupling,
    amplitude_v: Measured,
    location_pu: float,
    fault_resistance_ohm: float,
    field_voltage_positive_v: Measured,
    field_voltage_negative_v: Measured,
) -> HalfCycles:
    """Both settled currents [A] that a fault draws, with the uncertainty of parts and voltages.

    Raises ValueError as `source` does.
    """
    seen = _thevenin(coupling)
    opposite_v = Measured(-amplitude_v.value, amplitude_v.u)
    at = (location_pu, fault_resistance_ohm)
    return HalfCycles(
        _current_a(seen, amplitude_v, *at, field_voltage_positive_v),
        _current_a(seen, opposite_v, *at, field_voltage_negative_v),
        field_voltage_positive_v,
        field_voltage_negative_v,
    )


def solve(half_cycles: HalfCycles, coupling: Coupling, amplitude_v: Measured) -> Solution:
    """Fault resistance and location as `pulse_injection.solve` finds them.

    The location carries the uncertainty of the tap besides. Raises ValueError as `source` does.
    """
    seen = _thevenin(coupling)
    found = pulse_injection.solve(half_cycles, source(coupling, amplitude_v))
    place = found.fault_location_pu
    if place is not None:
        place = Measured(place.value, hypot(place.u, seen.u_tap_pu))
    return Solution(found.loop_conductance_s, found.fault_resistance_ohm, place)


def _current_a(
    seen: _Thevenin,
    source_v: Measured,
    location_pu: float,
    fault_resistance_ohm: float,
    field_voltage_v: Measured,
) -> Measured:
    loop_ohm = seen.resistance_ohm + fault_resistance_ohm
    offset_pu = location_pu - seen.tap_pu
    current_a = (source_v.value + offset_pu * field_voltage_v.value) / loop_ohm
    # One coupling resistor moves tap and R0 together: their shares add before they are squared.
    slopes = (
        *(
            field_voltage_v.value * tap + current_a * resistance
            for tap, resistance in zip(seen.tap_slopes, seen.resistance_slopes, strict=True)
        ),
        current_a,
    )
    parts = (s / loop_ohm * u for s, u in zip(slopes, seen.u_parts_ohm, strict=True))
    u_a = hypot(source_v.u / loop_ohm, offset_pu * field_voltage_v.u / loop_ohm, *parts)
    return Measured(current_a, u_a)


def _thevenin(coupling: Coupling) -> _Thevenin:
    positive, negative, measuring = (
        coupling.to_positive_ohm,
        coupling.to_negative_ohm,
        coupling.measuring_ohm,
    )
    if positive is None or negative is None:
        end = positive or negative
        if end is None:
            raise ValueError("the coupling touches the winding nowhere; name one resistor at least")
        tap_pu = 0.0 if positive is None else 1.0
        slopes = (0.0, 1.0) if positive is None else (1.0, 0.0)
        return _Thevenin(
            tap_pu,
            measuring.value + end.value,
            (0.0, 0.0),
            slopes,
            (end.u, end.u, measuring.u),
        )
    total = positive.value + negative.value
    if total <= 0:
        raise ValueError("a coupling of 0 ohm to both ends shorts the winding")
    to_positive, to_negative = positive.value / total, negative.value / total
    return _Thevenin(
        to_negative,
        measuring.value + positive.value * to_negative,
        (-to_negative / total, to_positive / total),
        (to_negative**2, to_positive**2),
        (positive.u, negative.u, measuring.u),
    )
