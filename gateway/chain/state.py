"""What a machine's chain remembers between two steps, and how it is saved: part by part.

Refuses a part as a whole if it does not read back as it was written.
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from pydantic import TypeAdapter, ValidationError

from gateway.alarms.annunciator import AnnunciatorMemory
from gateway.diagnosis.machine import DiagnosisMemory
from gateway.diagnosis.trend import TrendHistory, TrendMemory
from gateway.signals.sampling import SignalState
from gateway.signals.self_report import Word
from gateway.tags import Instant


@dataclass(frozen=True, slots=True)
class ChainClock:
    """The chain's own clock."""

    clock_ns: int = 0  # goes on over restarts, never back
    last: Instant | None = None  # of the last step


@dataclass(frozen=True, slots=True)
class SignalsMemory:
    """What is remembered of measured values and of what devices say of themselves."""

    signals: dict[str, SignalState] = field(default_factory=dict)
    words: dict[str, Word] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ChainState:
    """All that one machine's chain remembers between two steps; saved in parts of these names."""

    clock: ChainClock = field(default_factory=ChainClock)
    signals: SignalsMemory = field(default_factory=SignalsMemory)
    alarms: AnnunciatorMemory = field(default_factory=AnnunciatorMemory)
    diagnosis: DiagnosisMemory = field(default_factory=DiagnosisMemory)
    trend: TrendMemory = field(default_factory=TrendMemory)


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the saved state: what it holds, and in what form that is written."""

    adapter: TypeAdapter[Any]
    held: Callable[[ChainState], object]  # the same object as long as nothing changed
    written: Callable[[Any], object] = lambda held: held


PARTS: Final[Mapping[str, Part]] = {
    "clock": Part(TypeAdapter(ChainClock), lambda state: state.clock),
    "signals": Part(TypeAdapter(SignalsMemory), lambda state: state.signals),
    "alarms": Part(TypeAdapter(AnnunciatorMemory), lambda state: state.alarms),
    "diagnosis": Part(TypeAdapter(DiagnosisMemory), lambda state: state.diagnosis),
    # The history of a trend is large and changes once an interval, the rest with every value.
    "trend": Part(
        TypeAdapter(TrendMemory),
        lambda state: state.trend,
        lambda trend: replace(trend, history=TrendHistory()),
    ),
    "trend_history": Part(TypeAdapter(TrendHistory), lambda state: state.trend.history),
}
# Their intervals are on the chain's clock, so they mean nothing without it.
ON_THE_CLOCK: Final = ("signals", "diagnosis", "trend")


def encoded(adapter: TypeAdapter[Any], memory: object) -> bytes:
    """Canonical JSON, so that equal memories are equal bytes."""
    plain = adapter.dump_python(memory, mode="json")
    return json.dumps(plain, separators=(",", ":"), sort_keys=True, allow_nan=False).encode()


def read_back(adapter: TypeAdapter[Any], saved: bytes) -> Any:
    """A memory from its bytes. Raises ValueError unless all that was written is in it again.

    A key that an older version did not write has its default; an unknown one would be passed
    over, and a latch lost with it.
    """
    plain = json.loads(saved)
    memory = adapter.validate_python(plain)
    if not _keeps(json.loads(encoded(adapter, memory)), plain):
        raise ValueError("it does not read back as it was written")
    return memory


def _keeps(read: Any, written: Any) -> bool:
    if type(read) is not type(written):
        return False
    if isinstance(written, dict):
        return all(key in read and _keeps(read[key], written[key]) for key in written)
    if isinstance(written, list):
        return len(read) == len(written) and all(map(_keeps, read, written))
    return bool(read == written)


def first_line(error: Exception) -> str:
    """What `read_back` found wrong, and where, in one line."""
    if isinstance(error, ValidationError):
        first = error.errors(include_url=False)[0]
        return f"{'.'.join(map(str, first['loc'])) or 'all of it'}: {first['msg']}"
    return str(error)
