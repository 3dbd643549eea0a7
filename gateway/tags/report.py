"""How the field side is doing: counters that cross the wall beside the Frames."""

import json
from dataclasses import asdict, dataclass
from typing import Final, Self

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
