"""Which values of a machine speak on each of its fault alarms, told once from the site file.

The alarm's own value, the paths that are cross-checked with it, and the values of the machine's
other earth-fault alarms. Refuses a value for which nothing says where a fault begins.
"""

from collections.abc import Iterator, Sequence

from gateway.diagnosis.case import MARGIN, FaultAlarm, Installed, Role, Situation, Witness
from gateway.diagnosis.paths import Path, paths_of
from gateway.site.alarm import ContactAlarm, LimitAlarm, ValueAlarm
from gateway.site.detector import DcDetector, PulseDetector
from gateway.site.diagnosis import ActuatingContact, CrossCheck
from gateway.site.installed import Site
from gateway.site.model import Contact, Machine, RegisterSignal
from gateway.tags import Subject


def installed_of(site: Site, machine: str) -> Installed:
    """What rules have to know of a machine."""
    found = site.machine(machine)
    signals = [s for s in site.file.signals if s.machine == machine]
    numbers = [s for s in signals if not isinstance(s, Contact)]
    measuring = _measuring(found)
    registers = [
        s
        for s in signals
        if isinstance(s, RegisterSignal)
        and (s.tag in measuring or s.unit.dimension == "resistance")
    ]
    return Installed(
        found,
        paths_of(site, found),
        tuple(dict.fromkeys(s.point.split(".", 1)[0] for s in registers)),
        {s.tag: s.frozen_after for s in numbers if s.frozen_after},
        frozenset(s.tag for s in numbers if s.expected_noise is not None),
    )


def _measuring(machine: Machine) -> frozenset[str]:
    """The tags that the site file names as measurements of the rotor's insulation."""
    tags: set[str] = {t for check in machine.cross_checks for t in check.values}
    if machine.pulse_injection is not None:
        tags |= {machine.pulse_injection.current_positive, machine.pulse_injection.current_negative}
    if machine.optical_link is not None:
        tags |= {*machine.optical_link.light, machine.optical_link.injected_current or ""}
    return frozenset(tags)


def fault_alarms(site: Site, installed: Installed) -> dict[str, FaultAlarm]:
    """By name, in the order of the site file: all that indicate an earth fault."""
    alarms = site.earth_fault_alarms(installed.machine.name)
    return {a.name: _WitnessFinder(installed, alarms, a).fault_alarm() for a in alarms}


class _WitnessFinder:
    """Finds what can speak on one alarm."""

    def __init__(
        self, installed: Installed, alarms: Sequence[ValueAlarm], alarm: ValueAlarm
    ) -> None:
        self._installed = installed
        self._machine = installed.machine
        self._alarms = alarms
        self._alarm = alarm
        checks = self._machine.cross_checks
        self._settings = {c.contact.tag: c.contact for c in checks if c.contact is not None}

    def fault_alarm(self) -> FaultAlarm:
        tag = self._alarm.tag
        situation = self._situation()
        known = self._witness(tag) if situation is not Situation.OTHER else None
        own = known or Witness(self._installed.paths[tag], Role.CONDITION)
        others = (self._witness(t) for t in dict.fromkeys(self._candidate_tags()) if t != tag)
        return FaultAlarm(self._alarm, situation, own, (own, *(w for w in others if w is not None)))

    def _situation(self) -> Situation:
        alarm, link = self._alarm, self._machine.optical_link
        if isinstance(alarm, ContactAlarm):
            dark = link is not None and link.dark == alarm.tag
            return Situation.DARK if dark else Situation.CONTACT
        if isinstance(alarm, LimitAlarm):
            if alarm.below is not None and alarm.below.dimension == "resistance":
                return Situation.RESISTANCE
            if alarm.above is not None and alarm.above.dimension == "current":
                return Situation.CURRENT
        return Situation.OTHER

    def _candidate_tags(self) -> Iterator[str]:
        for check in self._machine.cross_checks:
            tags = tags_of(check)
            if self._alarm.tag in tags:
                yield from tags
        yield from (a.tag for a in self._alarms)
        link = self._machine.optical_link
        if link is not None:
            yield link.dark
            if link.injected_current is not None:
                yield link.injected_current
        if self._machine.pulse_injection is not None:
            yield self._machine.pulse_injection.fault_resistance.tag

    def _witness(self, tag: str) -> Witness | None:
        path = self._installed.paths[tag]
        if path.unit is None:
            link = self._machine.optical_link
            dark = link is not None and link.dark == tag
            return Witness(
                path, Role.DARK if dark else Role.CONTACT, setting=self._contact_setting(tag)
            )
        if path.dimension == "resistance":
            limit = self._limit(tag, "below", "resistance")
        elif path.dimension == "current":
            limit = self._limit(tag, "above", "current")
        else:
            return None
        if limit is None:
            return None
        return Witness(path, _role(path), *limit)

    def _limit(self, tag: str, side: str, dimension: str) -> tuple[float, float] | None:
        """Where a fault begins for this value, in SI, and the margin: the alarm's own limit, that
        of an alarm on this very value, the setting of the alarm's contact, the highest limit of
        another alarm, the pick-up of the detector."""
        own = [self._alarm, *(a for a in self._alarms if a.tag == tag)]
        limits = [*_limits(own, side, dimension)]
        if limits:
            return limits[0]
        setting = self._contact_setting(self._alarm.tag)
        quantity = getattr(setting, side) if setting is not None else None
        if setting is not None and quantity is not None and quantity.dimension == dimension:
            return quantity.si, setting.accuracy
        others = [*_limits(self._alarms, side, dimension)]
        if others:
            return max(others) if side == "below" else min(others)
        return self._pickup(tag, dimension)

    def _pickup(self, tag: str, dimension: str) -> tuple[float, float] | None:
        detector, link = self._machine.detector, self._machine.optical_link
        if dimension == "current":
            reads = link is not None and link.injected_current == tag
            if link is not None and reads and link.pickup_current is not None:
                return link.pickup_current.si, MARGIN
            if isinstance(detector, DcDetector):
                return detector.pickup_current, MARGIN
        elif isinstance(detector, PulseDetector):
            return detector.pickup_resistance, MARGIN
        return None

    def _contact_setting(self, tag: str) -> ActuatingContact | None:
        link = self._machine.optical_link
        if tag not in self._settings and link is not None and link.dark == tag:
            if link.pickup_current is not None:  # above it the monitor puts the light out
                return ActuatingContact.model_validate(
                    {"tag": tag, "above": str(link.pickup_current)}
                )
        return self._settings.get(tag)


def tags_of(check: CrossCheck) -> tuple[str, ...]:
    """All tags that a cross-check compares."""
    return (*check.values, check.contact.tag) if check.contact is not None else check.values


def _limits(
    alarms: Sequence[ValueAlarm], side: str, dimension: str
) -> Iterator[tuple[float, float]]:
    for alarm in alarms:
        limit = getattr(alarm, side) if isinstance(alarm, LimitAlarm) else None
        if isinstance(alarm, LimitAlarm) and limit is not None and limit.dimension == dimension:
            yield limit.si, alarm.deadband


def _role(path: Path) -> Role:
    if path.dimension == "current":
        return Role.CURRENT
    if path.computed:
        return Role.COMPUTED
    return Role.LOOP if path.kind is Subject.LOOP else Role.READ
