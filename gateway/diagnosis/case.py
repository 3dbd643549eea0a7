"""One fault alarm as a case: which values speak on it, what each says, and how far each is sound.

A value speaks while it is measured now, or held by a brush that is lifted by design; else it is
unknown. Between a limit and its margin nothing is concluded. Refuses to weigh: `evidence` does.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from math import inf
from typing import Final

from gateway.diagnosis.causes import CAUSES, NO_ACCESS
from gateway.diagnosis.cross_check import contact_interval
from gateway.diagnosis.dc_band import DetectionBand
from gateway.diagnosis.paths import Path
from gateway.diagnosis.second_fault_watch import Joined
from gateway.diagnosis.seen import Assessed, Seen
from gateway.site.alarm import Alarm
from gateway.site.diagnosis import ActuatingContact
from gateway.site.model import Machine
from gateway.tags import (
    AlarmRecord,
    HealthRecord,
    Limit,
    Sample,
    StatusSignal,
    Subject,
    Trend,
)

MARGIN: Final = 0.1  # of a limit, where nothing else is told: that of cross-checks
# What a device says of itself holds for all that hangs on it, its loops and contacts too.
MONITOR_SICK: Final = frozenset(
    {"device failure", "heartbeat stopped", "function check", "out of service"}
)
# The causes of a value that stands still, as no live one does.
STILL: Final = frozenset({"frozen value", "noise absent"})
_DOUBTFUL: Final = frozenset({"odd one out", "too fast change"})  # of less than a failure
_UNSOUND: Final = (StatusSignal.FAILURE, StatusSignal.FUNCTION_CHECK)


class Situation(StrEnum):
    """What kind of value raises the alarm."""

    RESISTANCE = "resistance"
    CURRENT = "current"
    CONTACT = "contact"
    DARK = "dark link"
    OTHER = "other condition"


class Role(StrEnum):
    """What kind of value speaks."""

    READ = "the monitor's own value"
    COMPUTED = "computed by the gateway"
    LOOP = "loop"
    CONTACT = "contact"
    DARK = "dark contact"
    CURRENT = "injected current"
    CONDITION = "the alarm's own condition"


@dataclass(frozen=True, slots=True)
class Witness:
    """A value that speaks on the question whether there is a fault.

    A resistance speaks for it below `limit`, a current above it; both in SI. `setting` is that of
    a contact, where it is told.
    """

    path: Path
    role: Role
    limit: float | None = None
    margin: float = MARGIN
    setting: ActuatingContact | None = None


@dataclass(frozen=True, slots=True)
class FaultAlarm:
    """One alarm that indicates an earth fault, and everything that can speak on it."""

    alarm: Alarm
    situation: Situation
    own: Witness
    witnesses: tuple[Witness, ...]  # `own` is the first of them


@dataclass(frozen=True, slots=True)
class Installed:
    """What rules have to know of a machine."""

    machine: Machine
    paths: Mapping[str, Path]
    monitors: tuple[str, ...]  # devices that measure the rotor and say so in registers
    lively: Mapping[str, float]  # tag: for how long [s] it may stand still at most
    noisy: frozenset[str] = frozenset()  # tags whose noise is watched


@dataclass(frozen=True)
class Case:
    """One fault alarm at one step."""

    installed: Installed
    fault: FaultAlarm
    record: AlarmRecord
    seen: Seen
    assessed: Assessed
    trend: Trend | None
    joined: Joined | None
    band: DetectionBand | None

    @cached_property
    def truths(self) -> dict[str, bool | None]:
        """What each witness says, by tag."""
        return {w.path.tag: self._says(w) for w in self.fault.witnesses}

    @property
    def supporting(self) -> list[Witness]:
        """Those that say that there is a fault."""
        return [w for w in self.fault.witnesses if self.truths[w.path.tag] is True]

    @property
    def opposing(self) -> list[Witness]:
        """Those that say that there is none."""
        return [w for w in self.fault.witnesses if self.truths[w.path.tag] is False]

    def speaks(self, tag: str) -> Sample | None:
        """The sample, where it says something of the rotor as it is."""
        sample = self.seen.samples.get(tag)
        if sample is None or sample.value is None or tag in self.seen.blind:
            return None
        by_design = self.installed.machine.access == "retractable brush"
        return sample if sample.measured_now or by_design else None

    def _says(self, witness: Witness) -> bool | None:
        if witness.role is Role.CONDITION:
            return self.record.present if self.record.judged else None
        sample = self.speaks(witness.path.tag)
        if sample is None:
            return None
        if witness.path.unit is None:
            return True if sample.value else self._quiet(witness)
        if witness.limit is None:
            return None
        inside = self.record.present and witness is self.fault.own
        return _beyond(witness, sample, inside)

    def _quiet(self, witness: Witness) -> bool | None:
        """What a contact says that has not actuated: something only where it should have."""
        if witness is self.fault.own:
            return False
        if witness.setting is None or self._claim is None:
            return None
        own = self.fault.own
        claimed = own.path.dimension or (_dimension(own.setting) if own.setting else "")
        if claimed != _dimension(witness.setting):
            return None
        low, high = contact_interval(witness.setting, False)
        return False if self._claim[1] < low or self._claim[0] > high else None

    @cached_property
    def _claim(self) -> tuple[float, float] | None:
        """What the alarm's own value leaves open, in SI."""
        own = self.fault.own
        sample = self.speaks(own.path.tag)
        if sample is None:
            return None
        if own.path.unit is not None:
            return own.path.interval(sample)
        return contact_interval(own.setting, bool(sample.value)) if own.setting else None

    @cached_property
    def _health(self) -> dict[str, HealthRecord]:
        """By subject; what is said of the machine as a whole repeats the others."""
        return {
            r.subject: r
            for r in self.assessed.health
            if r.kind not in (Subject.MACHINE, Subject.GATEWAY)
        }

    @cached_property
    def _sick(self) -> tuple[str, ...]:
        """What casts doubt on everything that comes from this monitor."""
        found: dict[tuple[str, str], str] = {}
        for record in self.assessed.health:
            for finding in record.findings:
                said = f"{record.subject}: {finding.cause}"
                if finding.cause in NO_ACCESS:  # of all that tell so, the first is named
                    found.setdefault(("", finding.cause), said)
                elif record.subject in self.installed.monitors and finding.cause in MONITOR_SICK:
                    found.setdefault((record.subject, finding.cause), said)
        return tuple(found.values())

    def health_of(self, path: Path) -> tuple[HealthRecord, ...]:
        """The records of all that a path needs, in the order of their names."""
        return tuple(self._health[s] for s in sorted(path.subjects) if s in self._health)

    def doubts(self, path: Path) -> tuple[str, ...]:
        """Why a path cannot be relied on now; none: nothing is known to be wrong with it."""
        found = list(self._sick)
        for record in self.health_of(path):
            causes = [
                f"{record.subject}: {finding.cause}"
                for finding in record.findings
                if (finding.cause in _DOUBTFUL or _is_unsound(finding.cause))
                and finding.cause not in NO_ACCESS
            ]
            if (
                not causes
                and not NO_ACCESS.intersection(f.cause for f in record.findings)
                and record.signal in _UNSOUND
            ):
                causes = [f"{record.subject}: {record.signal}"]
            found += causes
        return tuple(dict.fromkeys(found))

    def still_beside(self, path: Path) -> tuple[str, ...]:
        """What stands still among the numbers of the device that gives this one.

        A device of which one value stands still may hold the others too. That weakens what it says
        against a fault; what it says for one stands until something is wrong with that itself.
        """
        if path.kind is not Subject.VALUE:
            return ()
        return tuple(
            f"{tag}: {finding.cause}"
            for tag, other in self.installed.paths.items()
            if other.kind is Subject.VALUE and other.device == path.device and tag in self._health
            for finding in self._health[tag].findings
            if finding.cause in STILL
        )


def _dimension(contact: ActuatingContact) -> str:
    quantity = contact.below or contact.above
    return quantity.dimension if quantity is not None else ""


def _is_unsound(cause: str) -> bool:
    return cause in CAUSES and CAUSES[cause].signal in _UNSOUND


def _beyond(witness: Witness, sample: Sample, inside: bool) -> bool | None:
    """`inside`: the alarm stands on this value, so within the margin it still says yes."""
    if witness.limit is None or sample.value is None:
        return None
    path, limit = witness.path, witness.limit
    low, high = path.interval(sample) or (-inf, inf)
    value, bits = float(sample.value) * path.factor, sample.status.limit
    if witness.role is Role.CURRENT:
        low, high, value, limit = -high, -low, -value, -limit
        bits = {Limit.LOW: Limit.HIGH, Limit.HIGH: Limit.LOW}.get(bits, bits)
    clears = limit + witness.margin * abs(limit)
    if bits is not Limit.HIGH and (value < limit or (inside and value <= clears)):
        return True
    return False if low > clears and bits is not Limit.LOW else None
