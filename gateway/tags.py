"""Reading, Sample, Status, Frame: the words that every room speaks.

Nothing here does I/O, reads a clock or knows a protocol. What crosses a process border or
goes to disk has one wire form (`Frame.encode`), canonical so that equal Frames are equal bytes.
"""

import json
from dataclasses import asdict, dataclass
from enum import IntEnum, StrEnum
from functools import cached_property
from math import inf, isfinite
from types import NoneType
from typing import Any, Final, Self

from pydantic_core import CoreSchema, core_schema


class Limit(IntEnum):
    """Limit bits of a StatusCode (OPC 10000-4, 7.39.2, bits 9-8)."""

    NONE = 0
    LOW = 1
    HIGH = 2
    CONSTANT = 3


_INFO_TYPE_DATA_VALUE: Final = 0x0400
_SEVERITY: Final = ("Good", "Uncertain", "Bad")


class Status(int):
    """An OPC UA StatusCode (OPC 10000-4, 7.39): the one quality vocabulary of the gateway."""

    __slots__ = ()

    @property
    def code(self) -> "Status":
        """The code without its flag bits, which do not change its meaning."""
        return Status(self & 0xFFFF0000)

    @property
    def limit(self) -> Limit:
        """The limit bits; NONE unless the info type says that they are meant."""
        return Limit((self >> 8) & 3) if self & 0x0C00 == _INFO_TYPE_DATA_VALUE else Limit.NONE

    def with_limit(self, limit: Limit) -> "Status":
        """The same code with these limit bits."""
        return Status(self.code | _INFO_TYPE_DATA_VALUE | limit << 8) if limit else self.code

    @property
    def is_good(self) -> bool:
        return self >> 30 == 0

    @property
    def is_uncertain(self) -> bool:
        return self >> 30 == 1

    @property
    def is_bad(self) -> bool:
        return self >> 30 >= 2

    @property
    def severity(self) -> str:
        """'Good', 'Uncertain' or 'Bad'."""
        return _SEVERITY[min(self >> 30, 2)]

    @property
    def name(self) -> str:
        """The standard's name, with the limit behind it where there is one."""
        base = STATUS_NAMES.get(self.code, f"0x{self.code:08X}")
        return f"{base}, limit {self.limit.name.lower()}" if self.limit else base

    def __repr__(self) -> str:
        return f"Status({self.name})"

    @classmethod
    def __get_pydantic_core_schema__(cls, source: object, handler: object) -> CoreSchema:
        """A whole number outside, a Status inside: for the chain's saved state."""
        return core_schema.no_info_after_validator_function(cls, core_schema.int_schema())

    def worst(self, *others: "Status") -> "Status":
        """The worst of several; the first one where severities are equal (first cause kept)."""
        return max((self, *others), key=lambda s: min(s >> 30, 2))


GOOD: Final = Status(0x00000000)
GOOD_LOCAL_OVERRIDE: Final = Status(0x00960000)
UNCERTAIN: Final = Status(0x40000000)
UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE: Final = Status(0x408F0000)
UNCERTAIN_LAST_USABLE_VALUE: Final = Status(0x40900000)
UNCERTAIN_SUBSTITUTE_VALUE: Final = Status(0x40910000)
UNCERTAIN_INITIAL_VALUE: Final = Status(0x40920000)
UNCERTAIN_SENSOR_NOT_ACCURATE: Final = Status(0x40930000)
UNCERTAIN_ENGINEERING_UNITS_EXCEEDED: Final = Status(0x40940000)
UNCERTAIN_SUB_NORMAL: Final = Status(0x40950000)
UNCERTAIN_CONFIGURATION_ERROR: Final = Status(0x420F0000)
BAD: Final = Status(0x80000000)
BAD_COMMUNICATION_ERROR: Final = Status(0x80050000)
BAD_TIMEOUT: Final = Status(0x800A0000)
BAD_NO_COMMUNICATION: Final = Status(0x80310000)
BAD_WAITING_FOR_INITIAL_DATA: Final = Status(0x80320000)
BAD_OUT_OF_RANGE: Final = Status(0x803C0000)
BAD_CONFIGURATION_ERROR: Final = Status(0x80890000)
BAD_NOT_CONNECTED: Final = Status(0x808A0000)
BAD_DEVICE_FAILURE: Final = Status(0x808B0000)
BAD_SENSOR_FAILURE: Final = Status(0x808C0000)
BAD_OUT_OF_SERVICE: Final = Status(0x808D0000)

STATUS_NAMES: Final[dict[Status, str]] = {
    GOOD: "Good",
    GOOD_LOCAL_OVERRIDE: "GoodLocalOverride",
    UNCERTAIN: "Uncertain",
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE: "UncertainNoCommunicationLastUsableValue",
    UNCERTAIN_LAST_USABLE_VALUE: "UncertainLastUsableValue",
    UNCERTAIN_SUBSTITUTE_VALUE: "UncertainSubstituteValue",
    UNCERTAIN_INITIAL_VALUE: "UncertainInitialValue",
    UNCERTAIN_SENSOR_NOT_ACCURATE: "UncertainSensorNotAccurate",
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED: "UncertainEngineeringUnitsExceeded",
    UNCERTAIN_SUB_NORMAL: "UncertainSubNormal",
    UNCERTAIN_CONFIGURATION_ERROR: "UncertainConfigurationError",
    BAD: "Bad",
    BAD_COMMUNICATION_ERROR: "BadCommunicationError",
    BAD_TIMEOUT: "BadTimeout",
    BAD_NO_COMMUNICATION: "BadNoCommunication",
    BAD_WAITING_FOR_INITIAL_DATA: "BadWaitingForInitialData",
    BAD_OUT_OF_RANGE: "BadOutOfRange",
    BAD_CONFIGURATION_ERROR: "BadConfigurationError",
    BAD_NOT_CONNECTED: "BadNotConnected",
    BAD_DEVICE_FAILURE: "BadDeviceFailure",
    BAD_SENSOR_FAILURE: "BadSensorFailure",
    BAD_OUT_OF_SERVICE: "BadOutOfService",
}

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


class AlarmState(StrEnum):
    """Alarm states of ISA-18.2-2016 / IEC 62682:2022, clause 5.4."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"


@dataclass(frozen=True, slots=True)
class AlarmRecord:
    """One alarm as it stands in a Frame."""

    alarm: str
    state: AlarmState
    judged: bool  # False: its condition is unknown now, so timers and state stand still
    since_ns: int  # time of the last change of state, UTC; 0 before the first one

    @property
    def active(self) -> bool:
        """Whether the alarm is on: annunciated, or latched until reset."""
        return self.state not in (AlarmState.NORMAL, AlarmState.RETURNED_UNACKNOWLEDGED)

    @property
    def acknowledged(self) -> bool:
        return self.state in (
            AlarmState.NORMAL,
            AlarmState.ACKNOWLEDGED,
            AlarmState.LATCHED_ACKNOWLEDGED,
        )


@dataclass(frozen=True, slots=True)
class Transition:
    """One change of one alarm's state, or an order that was refused (`refusal` says why)."""

    alarm: str
    cue: str  # what happened: "occur", "clear", "acknowledge", "reset"
    before: AlarmState
    after: AlarmState
    who: str = ""
    why: str = ""
    refusal: str = ""


class Order(StrEnum):
    """What a person may order of an alarm."""

    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"


@dataclass(frozen=True, slots=True)
class Command:
    """A person's order, taken at the start of the next step of the machine's chain."""

    order: Order
    alarm: str
    who: str
    why: str = ""


@dataclass(frozen=True)
class Frame:
    """One finished step of one machine: what went in and everything that followed from it."""

    machine: str
    sequence: int  # +1 a step, continued over restarts
    at: Instant
    readings: tuple[Reading, ...]
    commands: tuple[Command, ...]
    samples: tuple[Sample, ...]
    alarms: tuple[AlarmRecord, ...]
    transitions: tuple[Transition, ...]

    def encode(self) -> bytes:
        """The one wire form: canonical JSON, UTF-8, no NaN; equal Frames give equal bytes."""
        return self._encoded

    @cached_property
    def _encoded(self) -> bytes:
        # Disk and wall get the same bytes, made once.
        return json.dumps(
            [
                self.machine,
                self.sequence,
                [self.at.utc_ns, self.at.monotonic_ns],
                [
                    [r.point, r.words, int(r.status), r.at.utc_ns, r.at.monotonic_ns]
                    for r in self.readings
                ],
                [[c.order, c.alarm, c.who, c.why] for c in self.commands],
                [[s.tag, s.value, int(s.status), s.time_ns, s.uncertainty] for s in self.samples],
                [[a.alarm, a.state, a.judged, a.since_ns] for a in self.alarms],
                [
                    [t.alarm, t.cue, t.before, t.after, t.who, t.why, t.refusal]
                    for t in self.transitions
                ],
            ],
            separators=(",", ":"),
            ensure_ascii=False,
            allow_nan=False,
        ).encode()

    @classmethod
    def decode(cls, data: bytes) -> Self:
        """The inverse of `encode`. Raises ValueError for anything else."""
        try:
            machine, sequence, at, readings, commands, samples, alarms, transitions = _row(
                json.loads(data), str, int, list, list, list, list, list, list
            )
            return cls(
                machine,
                sequence,
                Instant(*_row(at, int, int)),
                tuple(
                    Reading(p, tuple(_row(w, *(int,) * len(w))), _status(s), Instant(utc, mono))
                    for p, w, s, utc, mono in (_row(r, str, list, int, int, int) for r in readings)
                ),
                tuple(
                    Command(Order(o), a, who, why)
                    for o, a, who, why in (_row(c, str, str, str, str) for c in commands)
                ),
                tuple(
                    Sample(tag, v, _status(s), t, u)
                    for tag, v, s, t, u in (_row(s, str, _VALUE, int, int, _VALUE) for s in samples)
                ),
                tuple(
                    AlarmRecord(a, AlarmState(s), j, t)
                    for a, s, j, t in (_row(a, str, str, bool, int) for a in alarms)
                ),
                tuple(
                    Transition(a, cue, AlarmState(b), AlarmState(f), who, why, refusal)
                    for a, cue, b, f, who, why, refusal in (
                        _row(t, *(str,) * 7) for t in transitions
                    )
                ),
            )
        except (TypeError, ValueError, OverflowError, RecursionError) as error:
            raise ValueError(f"not a Frame: {error}") from error


_VALUE: Final = (float, int, NoneType)


def _row(row: Any, *kinds: Any) -> list[Any]:
    """The list, if it has exactly these kinds of entries."""
    if not isinstance(row, list) or len(row) != len(kinds):
        raise ValueError(f"{len(kinds)} entries are expected")
    if not all(map(isinstance, row, kinds)):
        raise ValueError("an entry is of another kind than it must be")
    return row


def _status(code: int) -> Status:
    if not 0 <= code <= 0xFFFFFFFF:
        raise ValueError(f"{code} is no StatusCode")
    return Status(code)


# What begins later than this share of its period counts as late; common practice, no source.
LATE_SHARE: Final = 0.1


@dataclass(frozen=True, slots=True)
class DeviceReport:
    """How the polling of one device goes. Counters run from the start of the field side."""

    device: str
    link: str
    reachable: bool  # the last poll was answered, with whatever answer
    polls: int  # requests sent
    failed: int  # no answer, an answer that did not fit, or a refusal by the device
    late: int  # polls that began later than a tenth of their period after they were due
    skipped: int  # polls left out: the last one of the kind still ran, or the device is dead
    lateness_p99_s: float  # over the last polls, at most a few hundred
    last_error: str  # of the last failed poll; empty before the first


@dataclass(frozen=True, slots=True)
class FieldReport:
    """How the field side is doing, sent over the wall beside the Frames."""

    time_ns: int
    devices: tuple[DeviceReport, ...]
    steps: int  # chain steps since start, all machines
    late_steps: int  # that began later than a tenth of their scan period after they were due
    archive_bytes: int
    archive_frames: int  # written since start

    def encode(self) -> bytes:
        """Canonical JSON, UTF-8."""
        return json.dumps(asdict(self), separators=(",", ":"), allow_nan=False).encode()

    @classmethod
    def decode(cls, data: bytes) -> Self:
        """The inverse of `encode`. Raises ValueError for anything else."""
        try:
            fields = json.loads(data)
            fields["devices"] = tuple(DeviceReport(**d) for d in fields["devices"])
            return cls(**fields)
        except (KeyError, TypeError, ValueError, RecursionError) as error:
            raise ValueError(f"not a FieldReport: {error}") from error
