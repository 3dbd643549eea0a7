"""Instant, Reading, Sample: what a device said, when, and the value that it came to."""

from dataclasses import dataclass
from math import inf, isfinite
from typing import Final

from gateway.tags.status import (
    UNCERTAIN,
    UNCERTAIN_CONFIGURATION_ERROR,
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
    UNCERTAIN_SENSOR_NOT_ACCURATE,
    UNCERTAIN_SUB_NORMAL,
    Status,
)

# Uncertain codes under which the value was measured just now; under all others it is an old
# value or a stand-in, from which no alarm may conclude anything.
_MEASURED_NOW: Final = frozenset(
    {
        UNCERTAIN,
        UNCERTAIN_SENSOR_NOT_ACCURATE,
        UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
        UNCERTAIN_SUB_NORMAL,
        UNCERTAIN_CONFIGURATION_ERROR,
    }
)


@dataclass(frozen=True, slots=True)
class Instant:
    """One moment on both clocks. Stamps use UTC; intervals use the monotonic clock only."""

    utc_ns: int
    monotonic_ns: int


@dataclass(frozen=True, slots=True)
class Reading:
    """What a device said, or failed to say, for one point.

    `words` are the raw 16-bit registers in the order of the wire, or one 0/1 for a coil or
    input; empty when `status` is bad (no answer, refused, answer did not fit the request).
    """

    point: str  # "device.point"
    words: tuple[int, ...]
    status: Status
    at: Instant


@dataclass(frozen=True, slots=True)
class Sample:
    """One value of one tag, with everything needed to trust or distrust it."""

    tag: str
    value: float | bool | None
    status: Status
    time_ns: int  # of the measurement, UTC; never of the publishing
    uncertainty: float | None = None  # standard uncertainty, in the unit of the tag

    def __post_init__(self) -> None:
        if (self.value is None) != self.status.is_bad:
            raise ValueError(f"{self.tag}: a bad sample carries no value, any other must")
        if self.value is not None and not isfinite(self.value):
            raise ValueError(f"{self.tag}: infinity is said with limit bits, never with a number")
        if self.uncertainty is not None and not 0 <= self.uncertainty < inf:
            raise ValueError(f"{self.tag}: an uncertainty is a finite number, not below zero")

    @property
    def measured_now(self) -> bool:
        """Whether the value is a measurement, not an old value held or a stand-in."""
        return self.status.is_good or self.status.code in _MEASURED_NOW
