"""What devices say of themselves: status bits, and a heartbeat that has stopped.

Words of a device that gives nothing are old, so they are not looked at: its silence is told
elsewhere. That a device holds a value is no fault; how old it may get is judged with the value.
"""

from collections.abc import Mapping, Set
from dataclasses import dataclass
from typing import Final

from gateway.diagnosis.causes import CAUSES
from gateway.diagnosis.seen import Found, Seen
from gateway.diagnosis.subjects import Subjects, subjects
from gateway.signals.self_report import Word
from gateway.site.installed import Site
from gateway.site.profile import QualityBit
from gateway.tags import Subject


@dataclass(frozen=True, slots=True)
class StatusBit:
    """A bit that says something of a device: where it stands, what it means, for which tags."""

    device: str
    word: str  # "device.point"
    bit: int
    when: int
    means: str
    tags: tuple[str, ...]

    def says(self, words: Mapping[str, Word]) -> bool | None:
        """Whether it says so; None before its word was read."""
        word = words.get(self.word)
        return None if word is None else word.value >> self.bit & 1 == self.when


@dataclass(frozen=True, slots=True)
class _Heartbeat:
    device: str
    word: str
    stopped_after_ns: int
    tags: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MonitorMemory:
    """Devices whose heartbeat stood still when it was last read."""

    stopped: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MonitorReport:
    """What devices report of themselves, and what it means for their tags."""

    found: tuple[Found, ...]
    of_tags: Mapping[str, tuple[str, str]]  # the worst cause that is reported of a tag, and where


_NOTHING: Final = MonitorReport((), {})


def status_bits(site: Site, within: Subjects, means: Set[str]) -> tuple[StatusBit, ...]:
    """The bits with one of these meanings that speak of tags of the machine."""
    return tuple(
        StatusBit(device, f"{device}.{q.point}", q.bit, q.when, q.means, tags)
        for device in within.devices
        for q in site.profile_of(site.device(device)).quality
        if q.means in means and (tags := _spoken_of(within, device, q))
    )


def _spoken_of(within: Subjects, device: str, quality: QualityBit) -> tuple[str, ...]:
    named = {f"{device}.{point}" for point in quality.of}
    return tuple(
        tag
        for tag, signal in within.signals.items()
        if within.device_of[tag] == device
        and signal.point != f"{device}.{quality.point}"
        and (not named or signal.point in named)
    )


class MonitorHealth:
    """The devices that one machine uses."""

    def __init__(self, site: Site, machine: str) -> None:
        within = subjects(site, machine)
        radio = site.machine(machine).access == "telemetry"
        lost = "telemetry lost" if radio else "no communication"
        self._causes = {
            "device failure": "device failure",
            "no communication": lost,
            "function check": "function check",
            "out of service": "out of service",
        }
        self._bits = status_bits(site, within, self._causes.keys())
        self._heartbeats = tuple(
            _Heartbeat(
                device,
                f"{device}.{beat.point}",
                round(beat.stopped_after * 1e9),
                tuple(t for t, d in within.device_of.items() if d == device),
            )
            for device in within.devices
            if (beat := site.profile_of(site.device(device)).heartbeat) is not None
        )
        self._beats = frozenset(h.word for h in self._heartbeats)

    def step(
        self, memory: MonitorMemory, seen: Seen, silent: Set[str]
    ) -> tuple[MonitorMemory, MonitorReport]:
        """`silent` are the devices that give nothing."""
        memory = self._heard(memory, seen)
        spoken = [b for b in self._bits if b.device not in silent and b.says(seen.words)]
        stopped = [
            h for h in self._heartbeats if h.device in memory.stopped and h.device not in silent
        ]
        if not spoken and not stopped:
            return memory, _NOTHING
        found: list[Found] = []
        of_tags: dict[str, tuple[str, str]] = {}
        for beat in stopped:
            still_s = (seen.clock_ns - seen.words[beat.word].since_ns) / 1e9
            detail = f"{beat.word} has stood still for {still_s:.0f} s"
            found.append(Found(beat.device, Subject.MONITOR, "heartbeat stopped", detail))
            _lay(of_tags, beat.tags, "heartbeat stopped", f"device {beat.device}: {detail}")
        for bit in spoken:
            cause = self._causes[bit.means]
            detail = f"bit {bit.bit} of {bit.word} is {bit.when}: {bit.means}"
            found.append(Found(bit.device, Subject.MONITOR, cause, detail))
            _lay(of_tags, bit.tags, cause, f"device {bit.device}: {detail}")
        return memory, MonitorReport(tuple(found), of_tags)

    def _heard(self, memory: MonitorMemory, seen: Seen) -> MonitorMemory:
        """A heartbeat is judged when it is read: between two polls it says nothing."""
        if not self._beats:
            return memory
        read = {r.point for r in seen.readings if r.words and r.point in self._beats}
        if not read:
            return memory
        stopped = tuple(
            h.device for h in self._heartbeats if self._stands(h, memory, seen, h.word in read)
        )
        return memory if stopped == memory.stopped else MonitorMemory(stopped)

    @staticmethod
    def _stands(beat: _Heartbeat, memory: MonitorMemory, seen: Seen, read: bool) -> bool:
        word = seen.words.get(beat.word)
        if not read or word is None:
            return beat.device in memory.stopped
        return seen.clock_ns - word.since_ns > beat.stopped_after_ns


def _lay(
    of_tags: dict[str, tuple[str, str]], tags: tuple[str, ...], cause: str, detail: str
) -> None:
    """Say a cause of these tags, where nothing as bad is said of them."""
    badness = CAUSES[cause].signal.badness
    for tag in tags:
        if tag not in of_tags or CAUSES[of_tags[tag][0]].signal.badness < badness:
            of_tags[tag] = (cause, detail)
