"""What diagnostics are told and what they answer: the words between the files of this room.

A diagnostic is a class built from `(site, machine_name)` with
`step(memory, seen, ...) -> (memory, ...)`, its memory plain frozen data of bounded size.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from gateway.signals.sampling import SignalState
from gateway.signals.self_report import Word
from gateway.tags import GatewayCondition, HealthRecord, Reading, Sample, Subject


@dataclass(frozen=True, slots=True)
class Seen:
    """What one step of a machine's chain has seen."""

    utc_ns: int
    clock_ns: int  # the chain's own clock: goes on over restarts, never back
    elapsed_ns: int  # since the last step, while somebody watched
    readings: tuple[Reading, ...]  # of this step, in order of time
    samples: Mapping[str, Sample]  # of every tag of the machine, measured and computed
    blind: frozenset[str]  # tags that are bad, or older than they may be
    signals: Mapping[str, SignalState]  # by tag, of measured tags
    words: Mapping[str, Word]  # status and heartbeat words by "device.point"
    gateway: GatewayCondition

    def measured(self, tag: str) -> Sample | None:
        """The sample of a tag, where it is a measurement of this moment and not blind."""
        sample = self.samples.get(tag)
        usable = sample is not None and sample.measured_now and tag not in self.blind
        return sample if usable else None


@dataclass(frozen=True, slots=True)
class Found:
    """One thing that a diagnostic holds to be wrong now.

    `detail` has the figures in words; it counts at the moment the cause is found and is kept while
    the cause lasts.
    """

    subject: str
    kind: Subject
    cause: str  # a key of `gateway.diagnosis.causes.CAUSES`
    detail: str = ""


class Standing(StrEnum):
    """How an explanation stands."""

    SUPPORTED = "supported"
    POSSIBLE = "possible"
    EXCLUDED = "excluded"


@dataclass(frozen=True, slots=True)
class Explanation:
    """One way to explain what is seen, and what speaks for or against it."""

    what: str
    standing: Standing
    because: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AccessReport:
    """How the way to the rotor stands."""

    measuring: bool | None  # whether a measurement comes through now; None: not known
    measured_ns: int  # UTC of the last measurement; 0: none yet
    explanations: tuple[Explanation, ...] = ()  # of a link that is dark now


@dataclass(frozen=True, slots=True)
class Agreement:
    """Whether the paths of one quantity agree.

    None: fewer than two of them can be compared, or they differ for less than the time to settle.
    """

    quantity: str
    agrees: bool | None
    compared: tuple[str, ...]  # tags
    odd_one_out: str = ""  # the tag that disagrees where all others agree
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Assessed:
    """What is known of a machine's monitoring before its alarms are judged."""

    operating: Mapping[str, bool | None]  # excited, running, hot, loaded; None: not known
    access: AccessReport
    agreements: tuple[Agreement, ...]
    health: tuple[HealthRecord, ...]
    complete: bool = True  # False: a diagnostic failed, so what health does not show may be so
