"""A voltage divider over the field winding with a relay from its tap to earth, and its null point.

There is no source but the field voltage, so a fault at the potential of the tap draws no current,
however low its resistance. A voltage-dependent resistor in one leg moves the tap with the field
voltage, so that a change of excitation moves the null away from the fault.

At a given relay current the divider is solved exactly, and it acts on the fault like a DC source
that is its tangent there: the rest is as in `dc_injection`. The relay current is positive out of
the tap into the winding; the relay sees it in either direction.

Source
------
Kirchhoff's laws; IEEE C37.101 describes the method. A varistor as U = Ur * (I / Ir) ** exponent.
Valid for one fault and settled currents.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import copysign, hypot, inf, isinf
from typing import Final

from gateway.rotor import dc_injection
from gateway.rotor.dc_injection import (
    Band,
    PickUp,
    Report,
    ReportedContact,
    ReportedCurrent,
    Zone,
    over_all,
)
from gateway.rotor.measured import Measured
from gateway.rotor.pulse_injection import Source

_HALVINGS: Final = 64  # of a bracket of currents: beyond the last digit of a float


@dataclass(frozen=True, slots=True)
class Varistor:
    """A voltage-dependent resistor: `voltage_v` at `current_a`, 0 < `exponent` <= 1."""

    voltage_v: Measured
    current_a: float
    exponent: float


@dataclass(frozen=True, slots=True)
class Leg:
    """One leg of a divider: a resistance [ohm, more than 0], with a varistor in series or not."""

    resistance_ohm: Measured
    varistor: Varistor | None = None

    def voltage_v(self, current_a: float) -> Measured:
        """The voltage over the leg, with the uncertainty of its parts."""
        varistor = 0.0
        u_varistor = 0.0
        if self.varistor is not None:
            share: float = pow(abs(current_a / self.varistor.current_a), self.varistor.exponent)
            varistor = copysign(share * self.varistor.voltage_v.value, current_a)
            u_varistor = share * self.varistor.voltage_v.u
        return Measured(
            self.resistance_ohm.value * current_a + varistor,
            hypot(self.resistance_ohm.u * current_a, u_varistor),
        )

    def slope_ohm(self, current_a: float) -> float:
        """dU/dI at this current; infinite for a varistor without any."""
        if self.varistor is None:
            return self.resistance_ohm.value
        if current_a == 0:
            return inf if self.varistor.exponent < 1 else self._slope_ohm(self.varistor, 1.0)
        return self._slope_ohm(self.varistor, abs(current_a / self.varistor.current_a))

    def _slope_ohm(self, varistor: Varistor, share: float) -> float:
        steepness: float = varistor.exponent * share ** (varistor.exponent - 1)
        return self.resistance_ohm.value + steepness * varistor.voltage_v.value / varistor.current_a


@dataclass(frozen=True, slots=True)
class Divider:
    """Both legs, from the tap to either end, and the relay [ohm, more than 0]."""

    to_positive: Leg
    to_negative: Leg
    relay_ohm: Measured


def null_pu(divider: Divider, field_voltage_v: float) -> Measured:
    """The location of the null: where a fault draws no current, however low its resistance.

    Raises ValueError without field voltage: then no fault draws a current anywhere.
    """
    if field_voltage_v == 0:
        raise ValueError("without field voltage a voltage divider has no null: it is blind")
    legs = _at(divider, 0.0, field_voltage_v)
    return Measured(legs.tap_v.value / field_voltage_v, legs.tap_v.u / abs(field_voltage_v))


def current_a(
    divider: Divider, location_pu: float, fault_resistance_ohm: float, field_voltage_v: Measured
) -> Measured:
    """The relay current [A] that a fault draws."""
    if isinf(fault_resistance_ohm):
        return Measured(0.0, 0.0)
    field_v = field_voltage_v.value
    loop_ohm = divider.relay_ohm.value + fault_resistance_ohm
    most_a = abs(field_v) / loop_ohm  # the tap lies between both ends of the winding

    def missing_v(current: float) -> float:
        tap_v = _at(divider, current, field_v).tap_v.value
        return current * loop_ohm + tap_v - location_pu * field_v

    current = _root(missing_v, -most_a, most_a)
    source = tangent(divider, current, field_v)
    return dc_injection.current_a(source, location_pu, fault_resistance_ohm, field_voltage_v)


def tangent(divider: Divider, current_a: float, field_voltage_v: float) -> Source:
    """The DC source that the divider is to a fault near this relay current and field voltage."""
    legs = _at(divider, current_a, field_voltage_v)
    offset_v = legs.share * field_voltage_v + legs.resistance_ohm * current_a - legs.tap_v.value
    # The legs' uncertainty is in the tap's voltage, whole: R0 keeps that of the relay alone.
    r0 = Measured(divider.relay_ohm.value + legs.resistance_ohm, divider.relay_ohm.u)
    return Source(Measured(offset_v, legs.tap_v.u), r0, legs.share)


def reach_ohm(
    divider: Divider, pick_up_a: Measured, location_pu: float, field_voltage_v: Measured
) -> Measured:
    """The highest fault resistance [ohm] at which the relay picks up; negative: it is blind."""
    return max(
        (
            dc_injection.reach_ohm(source, pick_up, location_pu, field_voltage_v)
            for source, pick_up in _both_ways(divider, pick_up_a, field_voltage_v.value)
        ),
        key=lambda reach: reach.value,
    )


def blind_zone(divider: Divider, pick_up_a: Measured, field_voltage_v: float) -> Zone | None:
    """Where not even a dead short makes the relay pick up; None: it sees one everywhere."""
    zones = [
        dc_injection.blind_zone(source, pick_up, field_voltage_v)
        for source, pick_up in _both_ways(divider, pick_up_a, field_voltage_v)
    ]
    start, end = 0.0, 1.0
    for zone in zones:
        if zone is None:
            return None
        start, end = max(start, zone.start_pu), min(end, zone.end_pu)
    return Zone(start, end) if start < end else None


def band_at(
    divider: Divider, report: Report, field_voltage_v: Measured, location_pu: float
) -> Band | None:
    """The resistances that a report leaves open at one location; None: no fault there explains it.

    A contact's own `polarised` is not asked for: the relay sees both directions.
    """
    bands = [
        dc_injection.band_at(source, one_way, field_voltage_v, location_pu)
        for source, one_way in _ways(divider, report, field_voltage_v.value)
    ]
    there = [band for band in bands if band is not None]
    if isinstance(report, ReportedContact) and not report.picked_up:  # in neither direction
        return Band(max(b.lowest_ohm for b in there), inf)
    if not there:
        return None
    return Band(min(b.lowest_ohm for b in there), max(b.highest_ohm for b in there))


def band_over_winding(divider: Divider, report: Report, field_voltage_v: Measured) -> Band | None:
    """The lowest and the highest resistance that a report leaves open, wherever the fault sits."""
    places = [0.0, 1.0]
    if field_voltage_v.value:
        places.append(null_pu(divider, field_voltage_v.value).value)
    return over_all(band_at(divider, report, field_voltage_v, place) for place in places)


@dataclass(frozen=True, slots=True)
class _AtTap:
    """The tap at one relay current: voltage to the negative end, slopes by field and by current."""

    tap_v: Measured
    share: float  # dU/dUf
    resistance_ohm: float  # dU/di


def _at(divider: Divider, current_a: float, field_voltage_v: float) -> _AtTap:
    """Solve both legs. The relay current flows out of earth into the tap and on into a leg."""
    positive, negative = divider.to_positive, divider.to_negative
    least_ohm = positive.resistance_ohm.value + negative.resistance_ohm.value
    most_a = abs(current_a) + abs(field_voltage_v) / least_ohm

    def excess_v(leg_a: float) -> float:
        over_both = positive.voltage_v(leg_a).value + negative.voltage_v(leg_a + current_a).value
        return over_both - field_voltage_v

    leg_a = _root(excess_v, -most_a, most_a)
    over_positive, over_negative = positive.voltage_v(leg_a), negative.voltage_v(leg_a + current_a)
    slope_p, slope_n = positive.slope_ohm(leg_a), negative.slope_ohm(leg_a + current_a)
    share = 1.0 if isinf(slope_n) else 1 / (1 + slope_p / slope_n)
    # Of both ways to the tap the flatter one counts: rounding moves the steep one far.
    tap_v = share * (field_voltage_v - over_positive.value) + (1 - share) * over_negative.value
    u_tap = hypot(share * over_positive.u, (1 - share) * over_negative.u)
    return _AtTap(Measured(tap_v, u_tap), share, 1 / (1 / slope_p + 1 / slope_n))


def _both_ways(
    divider: Divider, pick_up_a: Measured, field_voltage_v: float
) -> list[tuple[Source, PickUp]]:
    """The divider at its pick-up in either direction, each with a polarised pick-up."""
    found = []
    for sign in (1.0, -1.0):
        one_way = Measured(sign * abs(pick_up_a.value), pick_up_a.u)
        found.append((tangent(divider, one_way.value, field_voltage_v), PickUp(one_way)))
    return found


def _ways(divider: Divider, report: Report, field_voltage_v: float) -> list[tuple[Source, Report]]:
    """The report once for each direction of current that it may stand for."""
    if isinstance(report, ReportedContact):
        ways = _both_ways(divider, report.pick_up.current_a, field_voltage_v)
        return [(source, replace(report, pick_up=pick_up)) for source, pick_up in ways]
    current = report.current_a
    signs = (1.0,) if report.signed else (1.0, -1.0)
    return [
        (
            tangent(divider, sign * current.value, field_voltage_v),
            ReportedCurrent(Measured(sign * current.value, current.u)),
        )
        for sign in signs
    ]


def _root(rising: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising function is zero between `low` and `high`, by halving."""
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if rising(middle) < 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2
