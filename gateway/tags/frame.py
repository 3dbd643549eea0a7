"""The Frame: one finished step of one machine, and its one wire form."""

import json
from dataclasses import dataclass
from functools import cached_property
from typing import Final, NoReturn, Self

from gateway.tags import wire
from gateway.tags.alarms import AlarmRecord, Command, Transition
from gateway.tags.evidence import Evidence, Trend
from gateway.tags.health import GATEWAY_WELL, GatewayCondition, HealthRecord
from gateway.tags.samples import Instant, Reading, Sample

_DECODING_FAILS: Final = (TypeError, ValueError, OverflowError, RecursionError)


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
    gateway: GatewayCondition = GATEWAY_WELL
    health: tuple[HealthRecord, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    trend: Trend | None = None

    def encode(self) -> bytes:
        """The one wire form: canonical JSON, UTF-8, no NaN; equal Frames give equal bytes."""
        return self._encoded

    @cached_property
    def _encoded(self) -> bytes:
        # Disk and wall get the same bytes, made once.
        return wire.encoded(self)

    @classmethod
    def decode(cls, data: bytes) -> Self:
        """The inverse of `encode`. Raises ValueError for anything else."""
        try:
            return wire.made(cls, json.loads(data, parse_constant=_no_number))
        except _DECODING_FAILS as error:
            raise ValueError(f"not a Frame: {error}") from error


def _no_number(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number")
