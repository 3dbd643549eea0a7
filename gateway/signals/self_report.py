"""What a device says of its own values: quality bits of its status words, and its heartbeat.

A bit speaks at once. A heartbeat that has not changed for its time says that nothing behind it is
being measured, however many answers still come.
"""

from dataclasses import dataclass
from typing import Final

from gateway.site.profile import DeviceProfile
from gateway.tags import (
    BAD_DEVICE_FAILURE,
    BAD_OUT_OF_SERVICE,
    GOOD,
    UNCERTAIN_LAST_USABLE_VALUE,
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
    Status,
)

# OPC 30142 tables 13 to 15: device status and its StatusCode. A device that tests itself shows
# the test and not the machine, so what stands in its registers is an old value at best.
_MEANS: Final = {
    "device failure": BAD_DEVICE_FAILURE,
    "out of service": BAD_OUT_OF_SERVICE,
    "no communication": UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
    "value held": UNCERTAIN_LAST_USABLE_VALUE,
    "function check": UNCERTAIN_LAST_USABLE_VALUE,
}


@dataclass(frozen=True, slots=True)
class Word:
    """The newest register of a status or heartbeat point, and since when it reads so."""

    value: int
    since_ns: int  # on the chain's clock

    def renewed(self, value: int, at_ns: int) -> "Word":
        return self if value == self.value else Word(value, at_ns)


@dataclass(frozen=True, slots=True)
class _Bit:
    point: str
    bit: int
    when: int
    status: Status


@dataclass(frozen=True, slots=True)
class SelfReport:
    """What speaks of one point of a device; point names are "device.point"."""

    bits: tuple[_Bit, ...]
    heartbeat: str | None
    stopped_after_ns: int

    @property
    def points(self) -> frozenset[str]:
        """The points that must be read to know."""
        spoken = {b.point for b in self.bits}
        return frozenset(spoken | {self.heartbeat} if self.heartbeat else spoken)

    def quality(self, words: dict[str, Word], at_ns: int) -> Status:
        """The worst that is said at this time on the chain's clock; Good where nothing is."""
        said = [
            b.status
            for b in self.bits
            if b.point in words and words[b.point].value >> b.bit & 1 == b.when
        ]
        beat = words.get(self.heartbeat) if self.heartbeat else None
        if beat is not None and at_ns - beat.since_ns > self.stopped_after_ns:
            said.append(UNCERTAIN_LAST_USABLE_VALUE)
        return GOOD.worst(*said)


def self_report(profile: DeviceProfile, device: str, point: str) -> SelfReport:
    """What a device of this profile says of one of its points."""
    bits = tuple(
        _Bit(f"{device}.{q.point}", q.bit, q.when, _MEANS[q.means])
        for q in profile.quality
        if q.point != point and (not q.of or point in q.of)
    )
    heartbeat = profile.heartbeat
    if heartbeat is None or heartbeat.point == point:
        return SelfReport(bits, None, 0)
    return SelfReport(bits, f"{device}.{heartbeat.point}", round(heartbeat.stopped_after * 1e9))
