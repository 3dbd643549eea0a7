"""Whether a second earth fault has joined the first, or the first has worsened.

For pulse injection: resistance and place become a leakage, which `gateway.rotor.sequential` watches
for a change. Takes a measurement only where its time has advanced, and one in every ten seconds,
because filtered readings are not independent. Uses the full uncertainty of each reading, which
settings share: that makes it slower and false alarms rarer. Refuses to speak of a winding without a
fault, and of a fault whose place is not told.
"""

from dataclasses import dataclass, field
from math import isfinite
from typing import Final

from gateway.diagnosis.paths import COVERAGE, paths_of
from gateway.diagnosis.seen import Seen
from gateway.rotor.measured import Measured
from gateway.rotor.second_fault import Fault, fault_of, leakage_of
from gateway.rotor.sequential import Kind, Tuning, Watch, step
from gateway.site.alarm import LimitAlarm
from gateway.site.detector import PulseDetector
from gateway.site.installed import Site
from gateway.tags import Limit, Sample

_THINNED_NS: Final = 10 * 10**9  # our choice: above the lags of usual filters
# What leaks above twice the highest limit is insulation and no first fault (our choice).
_FIRST_FAULT_SHARE: Final = 2.0
_TUNING: Final = Tuning(baseline_readings=32)
_MOST_CORRELATED: Final = 0.95
_SAID: Final = (Kind.ONE_MORE, Kind.WORSENING, Kind.OTHER)


@dataclass(frozen=True, slots=True)
class Joined:
    """What has become of the first fault. Resistance [ohm] and place [pu] are those of what was
    added, None where that is no fault of its own."""

    one_more: bool
    worsened: bool
    text: str
    time_ns: int  # UTC of the measurement
    resistance_ohm: float | None = None
    u_resistance_ohm: float | None = None
    location_pu: float | None = None
    u_location_pu: float | None = None


@dataclass(frozen=True, slots=True)
class SecondFaultMemory:
    """What is remembered between steps: at most 32 readings and their baseline."""

    watch: Watch = field(default_factory=lambda: Watch(_TUNING))
    measured_ns: int = 0  # UTC of the last measurement taken
    joined: Joined | None = None


def first_fault_most_ohm(site: Site, machine: str) -> float:
    """What leaks above this is insulation and no first fault [ohm]; 0 without a limit."""
    return _FIRST_FAULT_SHARE * _highest_limit_ohm(site, machine)


class SecondFaultWatch:
    """The watch of one machine; without pulse injection, or without a limit, it says nothing."""

    def __init__(self, site: Site, machine: str) -> None:
        installed = site.machine(machine)
        self._pulse = installed.pulse_injection
        self._most_ohm = first_fault_most_ohm(site, machine)
        if self._pulse is not None:
            paths = paths_of(site, installed)
            self._resistance = paths[self._pulse.fault_resistance.tag]
            self._location = paths[self._pulse.fault_location.tag]

    def step(
        self, memory: SecondFaultMemory, seen: Seen
    ) -> tuple[SecondFaultMemory, Joined | None]:
        """What is said stays until the fault has gone, or a later measurement says otherwise."""
        if self._pulse is None or not self._most_ohm:
            return memory, None
        resistance = seen.measured(self._resistance.tag)
        if resistance is None:
            return memory, memory.joined
        if 0 <= resistance.time_ns - memory.measured_ns < _THINNED_NS:
            return memory, memory.joined
        if resistance.status.limit is Limit.HIGH:  # no fault is left to compare with
            gone = memory.watch.baseline is not None or memory.watch.recent
            return SecondFaultMemory() if gone else memory, None
        memory = self._measured(memory, resistance, seen.samples.get(self._location.tag))
        return memory, memory.joined

    def _measured(
        self, memory: SecondFaultMemory, resistance: Sample, location: Sample | None
    ) -> SecondFaultMemory:
        if location is None or not location.measured_now:
            return memory
        fault = self._fault(resistance, location)
        leakage = leakage_of(fault) if fault is not None else None
        learning = memory.watch.baseline is None
        if fault is None or leakage is None:
            return memory
        if learning and fault.resistance_ohm.value > self._most_ohm:
            return memory
        try:
            watch, change = step(memory.watch, leakage)
        except ValueError:  # fully correlated: this reading tells nothing
            return memory
        joined = None
        if change.kind in _SAID:
            added = fault_of(change.difference) if change.difference is not None else None
            joined = _said(change.kind, added, resistance.time_ns)
        return SecondFaultMemory(watch, resistance.time_ns, joined)

    def _fault(self, resistance: Sample, location: Sample) -> Fault | None:
        """With the covariance that the common conductance of the loop gives the two.

        R = 1/G - R0 and alpha = beta + H/G; with G and H independent, as for equally uncertain
        currents, cov(R, alpha) = (alpha - beta)*u(R)^2/(R0 + R) (GUM 5.2.2).
        """
        u_r, u_place = resistance.uncertainty, location.uncertainty
        if self._pulse is None or resistance.value is None or location.value is None:
            return None
        if not u_r or not u_place or resistance.status.limit or location.status.limit:
            return None
        r = Measured(resistance.value * self._resistance.factor, u_r * self._resistance.factor)
        place = Measured(location.value * self._location.factor, u_place * self._location.factor)
        loop_ohm = self._pulse.source_resistance + r.value
        if not (isfinite(loop_ohm) and loop_ohm > 0):
            return None
        most = _MOST_CORRELATED * r.u * place.u
        covariance = (place.value - self._pulse.tap) * r.u**2 / loop_ohm
        return Fault(r, place, min(max(covariance, -most), most))


def _highest_limit_ohm(site: Site, machine: str) -> float:
    """The highest earth-fault limit of a machine, or the pick-up of its detector; 0: neither."""
    limits = [
        alarm.below.si
        for alarm in site.earth_fault_alarms(machine)
        if isinstance(alarm, LimitAlarm)
        and alarm.below is not None
        and alarm.below.dimension == "resistance"
    ]
    detector = site.machine(machine).detector
    if not limits and isinstance(detector, PulseDetector):
        limits = [detector.pickup_resistance]
    return max(limits, default=0.0)


def _finite(fault: Fault) -> bool:
    r, place = fault.resistance_ohm, fault.location_pu
    return all(map(isfinite, (r.value, r.u, place.value, place.u)))


def _said(kind: Kind, added: Fault | None, time_ns: int) -> Joined:
    if kind is not Kind.ONE_MORE or added is None or not _finite(added):
        return Joined(kind is Kind.ONE_MORE, kind is Kind.WORSENING, kind.value, time_ns)
    r, place = added.resistance_ohm, added.location_pu
    text = (
        f"{kind.value}: {r.value / 1e3:.3g} kohm ± {COVERAGE * r.u / 1e3:.2g} kohm at "
        f"{100 * place.value:.3g} % ± {100 * COVERAGE * place.u:.2g} % of the winding from its "
        "negative end"
    )
    return Joined(True, False, text, time_ns, r.value, r.u, place.value, place.u)
