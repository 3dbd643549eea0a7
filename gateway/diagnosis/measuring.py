"""Which tags show that a measurement of the rotor comes through, and whether one does now.

Refuses to take silence for an answer: of a device that is not heard nothing is known.
"""

from gateway.diagnosis.seen import Seen
from gateway.site.alarm import LimitAlarm
from gateway.site.installed import Site
from gateway.site.model import RegisterSignal


def measuring_tags(site: Site, machine: str) -> tuple[str, ...]:
    """The measured tags of a machine that move only while its monitor measures.

    The half-cycle currents or the injected current; where neither is told, the measured numbers
    on which earth-fault alarms rest, else every current and resistance that the monitor gives.
    """
    installed = site.machine(machine)
    if installed.pulse_injection is not None:
        injection = installed.pulse_injection
        return (injection.current_positive, injection.current_negative)
    if installed.optical_link is not None and installed.optical_link.injected_current:
        return (installed.optical_link.injected_current,)
    others = {
        installed.brush.contact_resistance if installed.brush else None,
        installed.exciter.field_current if installed.exciter else None,
    }
    given = tuple(
        s.tag
        for s in site.file.signals
        if s.machine == machine
        and isinstance(s, RegisterSignal)
        and s.unit.dimension in ("current", "resistance")
        and s.tag not in others
    )
    alarmed = {a.tag for a in site.earth_fault_alarms(machine) if isinstance(a, LimitAlarm)}
    return tuple(tag for tag in given if tag in alarmed) or given


def measuring(seen: Seen, tags: tuple[str, ...]) -> bool | None:
    """Whether all of these are measured now; None: it is not known whether the monitor measures."""
    held = False
    for tag in tags:
        sample = seen.samples.get(tag)
        if sample is None:
            return None
        if seen.measured(tag) is not None:
            continue
        state = seen.signals.get(tag)
        if sample.value is None or (state is not None and state.failure is not None):
            return None
        held = True
    return None if not tags else not held


def measured_ns(seen: Seen, tags: tuple[str, ...]) -> int:
    """UTC of the last measurement of them all; 0: there was none."""
    times = [sample.time_ns for tag in tags if (sample := seen.samples.get(tag)) is not None]
    return min(times) if times and len(times) == len(tags) else 0
