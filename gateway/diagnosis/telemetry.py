"""A powered radio path from the rotor: weak, lost, or as it should be.

It works at standstill too, so that silence is a failure whether the machine runs or not. Refuses
to judge where nothing is known: what was found last stays.
"""

from dataclasses import dataclass
from typing import Final

from gateway.diagnosis.measuring import measured_ns, measuring, measuring_tags
from gateway.diagnosis.seen import AccessReport, Found, Seen
from gateway.site.diagnosis import Telemetry
from gateway.site.installed import Site
from gateway.tags import Subject

_DEADBAND: Final = 0.1  # of `weak_below` (practice)
_LOST_NS: Final = 10 * 10**9  # a weak link loses single cycles, and is not lost (practice)
_HELD_NS: Final = 60 * 10**9  # a monitor that holds its values longer has lost its rotor (practice)


@dataclass(frozen=True, slots=True)
class TelemetryMemory:
    """What was last found of the link; times are on the chain's clock."""

    weak: bool = False
    lost: bool = False
    silent_since_ns: int | None = None  # that nothing comes through
    held_since_ns: int | None = None  # that the monitor holds its values


@dataclass(frozen=True, slots=True)
class _Bit:
    point: str
    bit: int
    when: int
    lost: bool  # else: values are held


class TelemetryPath:
    """The telemetry of one machine."""

    def __init__(self, site: Site, machine: str) -> None:
        self._machine = machine
        settings = site.machine(machine).telemetry or Telemetry()
        self._quality = settings.quality
        self._weak_below = settings.weak_below
        self._tags = measuring_tags(site, machine)
        units = {t.tag: t.unit for t in site.tags_of(machine)}
        unit = units[settings.quality] if settings.quality else None
        self._factor = float(unit.factor) if unit else 1.0
        self._bits = _bits(site, self._tags)

    def step(
        self, memory: TelemetryMemory, seen: Seen
    ) -> tuple[TelemetryMemory, AccessReport, list[Found]]:
        """The link now. Found on the machine: 'telemetry lost' or 'telemetry weak'."""
        quality = self._quality_now(seen)
        bit_lost, bit_held = self._said(seen, lost=True), self._said(seen, lost=False)
        measures = measuring(seen, self._tags)
        silent = bool(bit_lost) or (quality is not None and quality <= 0)
        silent_since_ns, held_since_ns = memory.silent_since_ns, memory.held_since_ns
        if silent or measures:
            silent_since_ns = _since(silent_since_ns, silent, seen)
        if bit_held is not None:
            held_since_ns = _since(held_since_ns, bit_held, seen)
        weak, lost = memory.weak, memory.lost
        if (silent and _lasted(silent_since_ns, _LOST_NS, seen)) or (
            bit_held and _lasted(held_since_ns, _HELD_NS, seen)
        ):
            lost = True
        elif measures and not silent:
            lost = False
        if quality is not None:
            weak = quality < self._weak_below * (1 + _DEADBAND if weak else 1)
        now = (weak, lost, silent_since_ns, held_since_ns)
        was = (memory.weak, memory.lost, memory.silent_since_ns, memory.held_since_ns)
        if now != was:
            memory = TelemetryMemory(*now)
        through = False if lost or silent else measures
        report = AccessReport(through, measured_ns(seen, self._tags))
        return memory, report, self._found(memory, quality, bit_lost)

    def _found(
        self, memory: TelemetryMemory, quality: float | None, bit: bool | None
    ) -> list[Found]:
        shown = "" if quality is None else f"link quality {quality * 100:.0f} %"
        if memory.lost:
            why = "the monitor says so" if bit else "no values come from the rotor"
            detail = f"{why}; {shown}" if shown else why
            return [Found(self._machine, Subject.MACHINE, "telemetry lost", detail)]
        if memory.weak:
            detail = f"{shown}, weak below {self._weak_below * 100:.0f} %" if shown else ""
            return [Found(self._machine, Subject.MACHINE, "telemetry weak", detail)]
        return []

    def _quality_now(self, seen: Seen) -> float | None:
        sample = seen.measured(self._quality) if self._quality else None
        return None if sample is None or sample.value is None else sample.value * self._factor

    def _said(self, seen: Seen, *, lost: bool) -> bool | None:
        """Whether the monitor says by its status bits that the link is lost, or values are held."""
        bits = [b for b in self._bits if b.lost is lost]
        said = [
            seen.words[b.point].value >> b.bit & 1 == b.when for b in bits if b.point in seen.words
        ]
        return any(said) if len(said) == len(bits) else True if any(said) else None


def _since(was_ns: int | None, now: bool, seen: Seen) -> int | None:
    if not now:
        return None
    return seen.clock_ns if was_ns is None else was_ns


def _lasted(since_ns: int | None, least_ns: int, seen: Seen) -> bool:
    return since_ns is not None and seen.clock_ns - since_ns >= least_ns


def _bits(site: Site, tags: tuple[str, ...]) -> tuple[_Bit, ...]:
    found = []
    points = sorted({s.point for s in site.file.signals if s.tag in tags})
    for device, point in (p.split(".", 1) for p in points):
        for bit in site.profile_of(site.device(device)).quality:
            if bit.means in ("no communication", "value held") and (not bit.of or point in bit.of):
                lost = bit.means == "no communication"
                found.append(_Bit(f"{device}.{bit.point}", bit.bit, bit.when, lost))
    return tuple(dict.fromkeys(found))
