"""The site as it is installed: the checked file with its device profiles joined to it."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from gateway.site.alarm import MalfunctionAlarm, ValueAlarm
from gateway.site.model import Contact, Device, Machine, Signal, SiteFile
from gateway.site.profile import DeviceProfile, Point
from gateway.site.units import Unit


@dataclass(frozen=True, slots=True)
class TagDefinition:
    """What everyone who shows or serves a tag must know of it."""

    tag: str
    machine: str
    description: str
    unit: Unit | None  # None: a two-state tag
    low: float  # range in the tag's unit; 0 and 1 for a two-state tag
    high: float
    stale_after_s: float


@dataclass(frozen=True)
class Site:
    """A site file that has passed every check."""

    file: SiteFile
    profiles: Mapping[str, DeviceProfile]
    digest: str = ""  # of the files that it was read from, see `read.digest_of`
    files: tuple[Path, ...] = ()  # the site file, then its profiles by name

    @property
    def name(self) -> str:
        return self.file.site

    def device(self, name: str) -> Device:
        return next(d for d in self.file.devices if d.name == name)

    def point_of(self, signal: Signal) -> Point:
        """The point that a signal comes from. Raises ValueError if there is none."""
        device, name = signal.point.split(".", 1)
        point = self.profile_of(self.device(device)).point(name)
        if point is None:
            raise ValueError(f"{signal.tag}: there is no point {signal.point}")
        return point

    def profile_of(self, device: Device) -> DeviceProfile:
        return self.profiles[device.profile]

    def poll_period_s(self, device: Device, point: Point) -> float:
        """How often this point of this device is read."""
        default = self.profile_of(device).poll[point.poll]
        return device.poll.get(point.poll, default)

    def points_read(self, device: Device) -> tuple[Point, ...]:
        """The points of a device that are worth reading: what a signal uses, and what judges it."""
        profile = self.profile_of(device)
        used = {
            name
            for owner, name in (s.point.split(".", 1) for s in self.file.signals)
            if owner == device.name
        }
        judged = {q.point for q in profile.quality if not q.of or used & set(q.of)}
        if used and profile.heartbeat:
            judged.add(profile.heartbeat.point)
        return tuple(p for p in profile.points if p.name in used | judged)

    def machine(self, name: str) -> Machine:
        return next(m for m in self.file.machines if m.name == name)

    @cached_property
    def tags(self) -> tuple[TagDefinition, ...]:
        """All tags in the order of the file, machine by machine: signals, then computed ones."""
        return tuple(t for m in self.file.machines for t in self._tags_of(m))

    def tags_of(self, machine: str) -> tuple[TagDefinition, ...]:
        return tuple(t for t in self.tags if t.machine == machine)

    def earth_fault_alarms(self, machine: str) -> tuple[ValueAlarm, ...]:
        """The alarms of a machine whose value indicates an earth fault, in the order of the file.

        A malfunction is not one of them: it tells of the monitoring, whatever it indicates.
        """
        return tuple(
            a
            for a in self.file.alarms
            if a.machine == machine
            and a.indicates == "earth fault"
            and not isinstance(a, MalfunctionAlarm)
        )

    def _tags_of(self, machine: Machine) -> list[TagDefinition]:
        found = []
        for signal in self.file.signals:
            if signal.machine != machine.name:
                continue
            unit, low, high = None, 0.0, 1.0
            if not isinstance(signal, Contact):
                unit = signal.unit
                # A reverse-acting loop names its ends by the current; a range goes upwards.
                low, high = sorted(q.in_unit(signal.unit) for q in signal.range)
            found.append(
                TagDefinition(
                    signal.tag,
                    machine.name,
                    signal.description,
                    unit,
                    low,
                    high,
                    signal.stale_after,
                )
            )
        if machine.pulse_injection is not None:
            inputs = [t for t in found if t.tag == machine.pulse_injection.current_positive]
            for computed in (
                machine.pulse_injection.fault_resistance,
                machine.pulse_injection.fault_location,
            ):
                low, high = (q.in_unit(computed.unit) for q in computed.range)
                found.append(
                    TagDefinition(
                        computed.tag,
                        machine.name,
                        computed.description,
                        computed.unit,
                        low,
                        high,
                        inputs[0].stale_after_s,
                    )
                )
        return found
