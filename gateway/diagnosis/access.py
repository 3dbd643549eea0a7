"""The way to the rotor, each with its own truth: brush, light, radio, rings.

Hands a machine to what knows its way. On collector rings the measuring brush stays on. Refuses to
hold anything against a way that the site file does not tell of.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from gateway.diagnosis.brush import Brush, BrushMemory
from gateway.diagnosis.measuring import measured_ns, measuring, measuring_tags
from gateway.diagnosis.optical_link import LightMemory, LightPath
from gateway.diagnosis.seen import AccessReport, Found, Seen
from gateway.diagnosis.telemetry import TelemetryMemory, TelemetryPath
from gateway.site.installed import Site


@dataclass(frozen=True, slots=True)
class AccessMemory:
    """What is remembered of the way; of one machine only one of these is used."""

    brush: BrushMemory = field(default_factory=BrushMemory)
    optical_link: LightMemory = field(default_factory=LightMemory)
    telemetry: TelemetryMemory = field(default_factory=TelemetryMemory)


class Access:
    """The way to the rotor of one machine."""

    def __init__(self, site: Site, machine: str) -> None:
        installed = site.machine(machine)
        self._tags = measuring_tags(site, machine)
        rings = installed.access == "collector rings"
        told_of_brush = installed.access == "retractable brush" and installed.brush is not None
        told_of_light = installed.access == "optical link" and installed.optical_link is not None
        self._brush = Brush(site, machine) if told_of_brush or rings else None
        self._light = LightPath(site, machine) if told_of_light else None
        self._radio = TelemetryPath(site, machine) if installed.access == "telemetry" else None

    def step(
        self, memory: AccessMemory, seen: Seen, operating: Mapping[str, bool | None]
    ) -> tuple[AccessMemory, AccessReport, list[Found]]:
        """How the way stands now, and what is wrong with it."""
        if self._brush is not None:
            of_brush, report, found = self._brush.step(memory.brush, seen)
            if of_brush is not memory.brush:
                memory = replace(memory, brush=of_brush)
        elif self._light is not None:
            excited = operating.get("excited")
            of_light, report, found = self._light.step(memory.optical_link, seen, excited)
            if of_light is not memory.optical_link:
                memory = replace(memory, optical_link=of_light)
        elif self._radio is not None:
            of_radio, report, found = self._radio.step(memory.telemetry, seen)
            if of_radio is not memory.telemetry:
                memory = replace(memory, telemetry=of_radio)
        else:
            report = AccessReport(measuring(seen, self._tags), measured_ns(seen, self._tags))
            found = []
        return memory, report, found
