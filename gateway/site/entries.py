"""What the entries of a site file know of each other: names, tags with their units, points.

The ground that the checks stand on. Refuses to judge: what is wrong with an entry is told by the
checks, each for its own part of the file.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

from gateway.site.explain import did_you_mean
from gateway.site.found import Found
from gateway.site.model import (
    ComputedTag,
    Contact,
    Device,
    PulseInjection,
    RegisterSignal,
    Signal,
    SiteFile,
)
from gateway.site.profile import DeviceProfile, Point
from gateway.site.units import Unit
from gateway.site.yaml_marks import Path


@dataclass(frozen=True)
class Context:
    """The file as far as it can be read, and what it refers to."""

    file: SiteFile
    profiles: Mapping[str, DeviceProfile | None]
    written: Mapping[str, set[str] | None]  # every name in the file, faulty entries included

    def known(self, kind: str, name: str) -> bool:
        """Whether there is this name, or may be: one of the list's names cannot be read."""
        names = self.written.get(kind, set())
        # No machine at all is a fault of its own, and not of all that belongs to one.
        return names is None or name in names or (kind == "machines" and not names)

    def like(self, kind: str, name: str) -> str:
        return did_you_mean(name, self.written.get(kind) or ())

    def device(self, name: str) -> Device | None:
        return next((d for d in self.file.devices if d.name == name), None)

    def point_of(self, signal: Signal) -> tuple[Device, Point] | None:
        device = self.device(signal.point.split(".", 1)[0])
        profile = self.profiles.get(device.profile) if device else None
        point = profile.point(signal.point.split(".", 1)[1]) if profile else None
        return (device, point) if device and point else None

    @cached_property
    def misfits(self) -> frozenset[str]:
        """Tags whose unit does not fit their point: reported once, not by all who use them."""
        found = ((s, self.point_of(s)) for s in self.file.signals if isinstance(s, RegisterSignal))
        measured = {
            signal.tag
            for signal, at in found
            if at and at[1].unit and at[1].unit.dimension != signal.unit.dimension
        }
        computed = {
            tag.tag
            for machine in self.file.machines
            if machine.pulse_injection
            for tag, dimension in computed_tags(machine.pulse_injection)
            if tag.unit.dimension != dimension
        }
        return frozenset(measured | computed)

    def units_of_tags(self) -> dict[str, tuple[str, Unit | None]]:
        """Machine and unit of each tag; no unit for a two-state tag."""
        found: dict[str, tuple[str, Unit | None]] = {}
        for signal in self.file.signals:
            unit = None if isinstance(signal, Contact) else signal.unit
            found[signal.tag] = (signal.machine, unit)
        for machine in self.file.machines:
            if machine.pulse_injection:
                for computed in (
                    machine.pulse_injection.fault_resistance,
                    machine.pulse_injection.fault_location,
                ):
                    found[computed.tag] = (machine.name, computed.unit)
        return found


def computed_tags(injection: PulseInjection) -> tuple[tuple[ComputedTag, str], ...]:
    """What is computed, and the dimension that it has."""
    return (injection.fault_resistance, "resistance"), (injection.fault_location, "ratio")


def tag_fits(
    c: Context,
    tags: Mapping[str, tuple[str, Unit | None]],
    path: Path,
    tag: str,
    machine: str,
    dimension: str | None,
) -> Iterator[Found]:
    """Whether there is this tag, and is of this machine and dimension; None: of any."""
    if tag not in tags:
        if not c.known("signals", tag):
            yield Found(path, f"there is no tag {tag!r}{did_you_mean(tag, tags)}")
        return
    owner, unit = tags[tag]
    if owner != machine and c.known("machines", owner):
        yield Found(path, f"{tag} belongs to machine {owner!r}, not to {machine!r}")
    found = unit.dimension if unit else "two-state tag"
    if dimension is not None and found != dimension and tag not in c.misfits:
        yield Found(path, f"{tag} is a {found}; a {dimension} is needed here")
