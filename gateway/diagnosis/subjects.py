"""What of an installation one machine's monitoring rests on, and what rests on what.

Links carry devices, devices give tags, computed tags come from other tags. Refuses to judge.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from gateway.rotor import estimate
from gateway.site.installed import Site
from gateway.site.model import Contact, CurrentLoop, Signal
from gateway.tags import Subject


@dataclass(frozen=True, slots=True)
class Subjects:
    """Links, devices and tags of one machine, each in the order of the site file."""

    machine: str
    links: Mapping[str, tuple[str, ...]]  # to the devices on it that this machine uses
    devices: Mapping[str, str]  # to its link
    signals: Mapping[str, Signal]  # measured tags
    device_of: Mapping[str, str]  # of measured tags
    computed: Mapping[str, tuple[str, ...]]  # computed tags, to those they come from
    kinds: Mapping[str, Subject]  # of all tags

    def devices_of(self, tag: str) -> frozenset[str]:
        """The devices that a tag comes from; of a computed tag, those of its inputs."""
        return frozenset(self.device_of[t] for t in self.inputs_of(tag))

    def inputs_of(self, tag: str) -> tuple[str, ...]:
        """The measured tags that a tag comes from; of a measured tag, itself."""
        return self.computed.get(tag, (tag,))

    def subjects_of(self, tag: str) -> frozenset[str]:
        """What has to be well for a tag to be seen: itself, its inputs, their devices and links."""
        devices = self.devices_of(tag)
        return frozenset({tag, *self.inputs_of(tag)}) | devices | {self.devices[d] for d in devices}


def subjects(site: Site, machine: str) -> Subjects:
    """What the monitoring of a machine rests on."""
    signals = {s.tag: s for s in site.file.signals if s.machine == machine}
    device_of = {tag: s.point.split(".", 1)[0] for tag, s in signals.items()}
    used = set(device_of.values())
    devices = {d.name: d.link for d in site.file.devices if d.name in used}
    injection = site.machine(machine).pulse_injection
    inputs = estimate.input_tags(injection) if injection is not None else ()
    computed = {t.tag: inputs for t in site.tags_of(machine) if t.tag not in signals}
    return Subjects(
        machine=machine,
        links={
            link.name: on
            for link in site.file.links
            if (on := tuple(d for d, its in devices.items() if its == link.name))
        },
        devices=devices,
        signals=signals,
        device_of=device_of,
        computed=computed,
        kinds={tag: _kind(s) for tag, s in signals.items()}
        | dict.fromkeys(computed, Subject.VALUE),
    )


def _kind(signal: Signal) -> Subject:
    if isinstance(signal, Contact):
        return Subject.CONTACT
    return Subject.LOOP if isinstance(signal, CurrentLoop) else Subject.VALUE
