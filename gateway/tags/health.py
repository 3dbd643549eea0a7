"""The words of self-diagnosis: NE 107 status signals, findings, and how the gateway itself is."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class StatusSignal(StrEnum):
    """Status signals of NAMUR NE 107."""

    NORMAL = "normal"
    MAINTENANCE_REQUIRED = "maintenance required"
    OUT_OF_SPECIFICATION = "out of specification"
    FUNCTION_CHECK = "function check"
    FAILURE = "failure"

    def worst(self, *others: "StatusSignal") -> "StatusSignal":
        """The one that is displayed when several apply: F > C > S > M > normal (practice)."""
        return max((self, *others), key=_ORDER.index)

    @property
    def badness(self) -> int:
        """Its place in that order: 0 for normal, the higher the worse."""
        return _ORDER.index(self)


_ORDER: Final = tuple(StatusSignal)


class Subject(StrEnum):
    """What a health record speaks of."""

    LINK = "link"
    MONITOR = "monitor"  # a device, whatever it measures
    LOOP = "loop"
    CONTACT = "contact"
    VALUE = "value"  # a number that a device gives, or that the gateway computes
    MACHINE = "machine"
    GATEWAY = "gateway"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing wrong. What it means and what to do stands in `gateway.diagnosis.causes`."""

    cause: str  # a key of the catalogue of causes
    since_ns: int  # UTC of the step that found it
    detail: str = ""  # figures of the moment it was found; does not change while it lasts


@dataclass(frozen=True, slots=True)
class HealthRecord:
    """How one link, device, loop, contact, value or machine is."""

    subject: str
    kind: Subject
    signal: StatusSignal  # the worst of the findings
    findings: tuple[Finding, ...] = ()
    proved_ns: int = 0  # UTC when it last proved that it could see a fault; 0: not known to have
    proof: str = ""  # by what: "self-test", "fault seen", ...


@dataclass(frozen=True, slots=True)
class GatewayCondition:
    """What the chain is told of the gateway it runs in; an input, so that a replay has it too."""

    archive_room: float = 1.0  # free disk over what the archive may still grow, at most 1
    unarchived_frames: int = 0  # Frames that the disk refused since the last step
    late_share: float = 0.0  # share of the machine's last steps that began late
    clock_step_s: float = 0.0  # by how much UTC was set since the last step; + is forward
    configuration_changed: bool = False  # the site file on disk is not the one that runs


GATEWAY_WELL: Final = GatewayCondition()
