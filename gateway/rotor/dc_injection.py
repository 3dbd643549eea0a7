"""Injection of a direct current with a fixed pick-up: what it sees, and what a report leaves open.

With e the injected voltage, R0 everything in series with the winding and beta the place where the
source is coupled in (all in a `Source`), a fault at alpha draws

    i = (e + (alpha - beta) * Uf) / (R0 + Rf),  positive out of the source into the winding

One current cannot tell two unknowns: the same current is a fault of high resistance at one place
and of low resistance at another. So the inverse is a band of resistance for each location. It
holds every resistance for which the current expected and the one reported differ by no more than
k = 2 combined standard uncertainties; with i * (R0 + Rf) - D as the difference, D the driving
voltage, that is Fieller's interval, which stays right where current or driving voltage cannot be
told from zero.

Source
------
Kirchhoff's laws; IEEE C37.101 describes the method. E. C. Fieller, "Some problems in interval
estimation", J. R. Stat. Soc. B 16 (1954). Valid for one fault and settled currents.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import hypot, inf, sqrt
from typing import Final, TypeAlias

from gateway.rotor.measured import Measured
from gateway.rotor.pulse_injection import Source

_K: Final = 2.0  # coverage factor: about 95 % (GUM 6.2 and G.6.6)
# Below this there is no current (our choice, far below what any device resolves): a filter that
# decays towards zero comes arbitrarily close to it.
_NO_CURRENT_A: Final = 1e-12


@dataclass(frozen=True, slots=True)
class Band:
    """Fault resistances [ohm] from the lowest to the highest; the highest may be infinite."""

    lowest_ohm: float
    highest_ohm: float


@dataclass(frozen=True, slots=True)
class Zone:
    """A part of the winding, from `start_pu` to `end_pu`, counted from the negative end."""

    start_pu: float
    end_pu: float


@dataclass(frozen=True, slots=True)
class PickUp:
    """The current [A] above which a detector picks up.

    A polarised one sees only currents of the sign of its pick-up current, any other one sees
    their magnitude.
    """

    current_a: Measured
    polarised: bool = True


@dataclass(frozen=True, slots=True)
class ReportedCurrent:
    """A current [A] that the detector reports; `signed` is False where it reports a magnitude."""

    current_a: Measured
    signed: bool = True


@dataclass(frozen=True, slots=True)
class ReportedContact:
    """Whether a detector with this pick-up has picked up."""

    pick_up: PickUp
    picked_up: bool


Report: TypeAlias = ReportedCurrent | ReportedContact


def current_a(
    source: Source, location_pu: float, fault_resistance_ohm: float, field_voltage_v: Measured
) -> Measured:
    """The current [A] that a fault draws."""
    driving_v = _driving_v(source, location_pu, field_voltage_v)
    loop_ohm = source.source_resistance_ohm.value + fault_resistance_ohm
    current = driving_v.value / loop_ohm
    u_resistance = current / loop_ohm * source.source_resistance_ohm.u
    return Measured(current, hypot(driving_v.u / loop_ohm, u_resistance))


def resistance_ohm(
    source: Source, current_a: Measured, location_pu: Measured, field_voltage_v: Measured
) -> Measured:
    """Fault resistance [ohm] from the current and a location that is known.

    Infinite without any current; negative where the current contradicts location or settings.
    """
    if abs(current_a.value) < _NO_CURRENT_A:
        return Measured(inf, inf)
    driving_v = _driving_v(source, location_pu.value, field_voltage_v)
    loop_ohm = driving_v.value / current_a.value
    u_ohm = hypot(
        driving_v.u / current_a.value,
        field_voltage_v.value / current_a.value * location_pu.u,
        loop_ohm / current_a.value * current_a.u,
        source.source_resistance_ohm.u,
    )
    return Measured(loop_ohm - source.source_resistance_ohm.value, u_ohm)


def reach_ohm(
    source: Source, pick_up: PickUp, location_pu: float, field_voltage_v: Measured
) -> Measured:
    """The highest fault resistance [ohm] at which the detector picks up; negative: it is blind."""
    driving_v = _seen_v(source, pick_up, location_pu, field_voltage_v)
    pick_up_a = abs(pick_up.current_a.value)
    loop_ohm = driving_v.value / pick_up_a
    u_ohm = hypot(
        driving_v.u / pick_up_a,
        loop_ohm / pick_up_a * pick_up.current_a.u,
        source.source_resistance_ohm.u,
    )
    return Measured(loop_ohm - source.source_resistance_ohm.value, u_ohm)


def blind_zone(source: Source, pick_up: PickUp, field_voltage_v: float) -> Zone | None:
    """Where not even a dead short makes the detector pick up; None: it sees one everywhere."""
    needed_v = pick_up.current_a.value * source.source_resistance_ohm.value
    if not pick_up.polarised:
        low_v, high_v = -abs(needed_v), abs(needed_v)
    elif needed_v > 0:
        low_v, high_v = -inf, needed_v
    else:
        low_v, high_v = needed_v, inf
    injected_v = source.amplitude_v.value
    if field_voltage_v == 0:
        return Zone(0.0, 1.0) if low_v < injected_v < high_v else None
    edges = sorted(
        source.tap_pu + (driving_v - injected_v) / field_voltage_v for driving_v in (low_v, high_v)
    )
    zone = Zone(max(edges[0], 0.0), min(edges[1], 1.0))
    return zone if zone.start_pu < zone.end_pu else None


def band_at(
    source: Source, report: Report, field_voltage_v: Measured, location_pu: float
) -> Band | None:
    """The resistances that a report leaves open at one location; None: no fault there explains it.

    Every resistance is open while nothing contradicts it within the uncertainties, k = 2.
    """
    if isinstance(report, ReportedCurrent):
        backwards = report.current_a.value < 0
        current = Measured(abs(report.current_a.value), report.current_a.u)
        driving_v = _driving_v(source, location_pu, field_voltage_v)
        value_v = -driving_v.value if backwards else driving_v.value
        if not report.signed:
            value_v = abs(value_v)
        return _band(current, Measured(value_v, driving_v.u), source.source_resistance_ohm)
    current = Measured(abs(report.pick_up.current_a.value), report.pick_up.current_a.u)
    driving_v = _seen_v(source, report.pick_up, location_pu, field_voltage_v)
    at_pick_up = _band(current, driving_v, source.source_resistance_ohm)
    if report.picked_up:
        return Band(0.0, at_pick_up.highest_ohm) if at_pick_up else None
    return Band(at_pick_up.lowest_ohm if at_pick_up else 0.0, inf)


def band_over_winding(source: Source, report: Report, field_voltage_v: Measured) -> Band | None:
    """The lowest and the highest resistance that a report leaves open, wherever the fault sits."""
    # At one current the driving voltage is linear in the location, and its uncertainty convex: the
    # extremes lie at the ends, or at the null between them, where a magnitude has its least.
    places = [0.0, 1.0]
    if field_voltage_v.value:
        null_pu = source.tap_pu - source.amplitude_v.value / field_voltage_v.value
        places += [null_pu] if 0 < null_pu < 1 else []
    return over_all(band_at(source, report, field_voltage_v, place) for place in places)


def over_all(bands: Iterable[Band | None]) -> Band | None:
    """One band over the bands of several locations; None: a fault explains nothing there.

    Between a location that explains a report and one that does not there is one where a dead
    short just explains it.
    """
    given = list(bands)
    there = [band for band in given if band is not None]
    if not there:
        return None
    lowest = min(b.lowest_ohm for b in there) if len(there) == len(given) else 0.0
    return Band(lowest, max(b.highest_ohm for b in there))


def _driving_v(source: Source, location_pu: float, field_voltage_v: Measured) -> Measured:
    offset_pu = location_pu - source.tap_pu
    return Measured(
        source.amplitude_v.value + offset_pu * field_voltage_v.value,
        hypot(source.amplitude_v.u, offset_pu * field_voltage_v.u),
    )


def _seen_v(
    source: Source, pick_up: PickUp, location_pu: float, field_voltage_v: Measured
) -> Measured:
    """The driving voltage, positive in the direction in which the detector sees it."""
    driving_v = _driving_v(source, location_pu, field_voltage_v)
    if not pick_up.polarised:
        return Measured(abs(driving_v.value), driving_v.u)
    return driving_v if pick_up.current_a.value > 0 else Measured(-driving_v.value, driving_v.u)


def _band(current_a: Measured, driving_v: Measured, source_ohm: Measured) -> Band | None:
    """All Rf >= 0 with abs(i * (R0 + Rf) - D) <= k * u, where i >= 0; None: there is none.

    With L = R0 + Rf and u^2 = (L * u(i))^2 + (i * u(R0))^2 + u(D)^2 it is a quadratic inequality
    a*L^2 - 2*i*D*L + c <= 0; of two separate pieces the whole from end to end is given.
    """
    i, d = current_a.value, driving_v.value
    i = 0.0 if i < _NO_CURRENT_A else i
    rest_v2 = driving_v.u**2 + (i * source_ohm.u) ** 2
    a = i**2 - (_K * current_a.u) ** 2
    c = d**2 - _K**2 * rest_v2
    n = i * d + _K * sqrt(max((current_a.u * d) ** 2 + a * rest_v2, 0.0))
    # a <= 0: the current cannot be told from none, so an infinite resistance explains it too.
    highest = inf if a <= 0 else n / a
    lowest = 0.0 if c <= 0 else c / n if n > 0 else inf
    if highest < source_ohm.value:
        return None
    return Band(max(lowest - source_ohm.value, 0.0), highest - source_ohm.value)
