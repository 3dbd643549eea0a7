"""Why to believe or doubt each fault alarm that is not normal.

The conclusion is mechanical. A path is a device or a wire; it speaks for the fault, or against it,
by the rules that count as testimony. A path is sound unless some observation casts doubt on it: its
health is failure or function check, it is the odd one out, a malfunction explains what it says.

- monitor in doubt: no sound path speaks for the fault;
- contradicted: a sound path speaks for it and a sound path against it;
- corroborated: two sound paths or more speak for it and none against it;
- single path: one sound path speaks for it and none against it.

While the condition has gone (a latch, an alarm that was not acknowledged) the evidence stays as it
was when it stood. Where doubt comes later, the question tells what was concluded before. Refuses to
claim a probability, and to call two values of one device two paths.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from gateway.diagnosis.case import Case, FaultAlarm, Situation
from gateway.diagnosis.dc_band import DcBand, DetectionBand
from gateway.diagnosis.observations import duration
from gateway.diagnosis.rule import Given, given
from gateway.diagnosis.rules import GONE, RULES
from gateway.diagnosis.second_fault_watch import SecondFaultMemory, SecondFaultWatch
from gateway.diagnosis.seen import Assessed, Seen
from gateway.diagnosis.witnesses import fault_alarms, installed_of
from gateway.site.installed import Site
from gateway.tags import (
    AlarmRecord,
    AlarmState,
    Bearing,
    Conclusion,
    Evidence,
    Trend,
)


@dataclass(frozen=True, slots=True)
class Kept:
    """What is remembered of one alarm that is not normal."""

    evidence: Evidence  # of the last step at which its condition stood
    before: Conclusion | None = None  # what was concluded before the monitor came in doubt
    doubted_ns: int = 0  # UTC of the step at which it did


@dataclass(frozen=True, slots=True)
class EvidenceMemory:
    """What is remembered between steps: one entry for each fault alarm that is not normal."""

    second_fault: SecondFaultMemory = field(default_factory=SecondFaultMemory)
    kept: dict[str, Kept] = field(default_factory=dict)


class EvidenceDesk:
    """The evidence for all fault alarms of one machine."""

    def __init__(self, site: Site, machine: str) -> None:
        self._installed = installed_of(site, machine)
        self._faults = fault_alarms(site, self._installed)
        self._second_fault = SecondFaultWatch(site, machine)
        self._band = DcBand(site, machine)
        self._rules = {
            name: tuple(
                rule
                for rule in RULES
                if rule is not GONE and rule.applies(self._installed.machine, fault.situation)
            )
            for name, fault in self._faults.items()
        }

    def step(
        self,
        memory: EvidenceMemory,
        seen: Seen,
        assessed: Assessed,
        records: tuple[AlarmRecord, ...],
        trend: Trend | None,
    ) -> tuple[EvidenceMemory, tuple[Evidence, ...]]:
        """The evidence for each earth-fault alarm that is not normal, in the order of `records`."""
        second_fault, joined = self._second_fault.step(memory.second_fault, seen)
        kept: dict[str, Kept] = {}
        told = []
        for record in records:
            fault = self._faults.get(record.alarm)
            if fault is None or not _stands(record):
                continue
            band = self._band_of(fault, seen)
            # Nothing is said of a second fault on an alarm whose condition has gone.
            second = joined if record.present else None
            case = Case(self._installed, fault, record, seen, assessed, trend, second, band)
            now, evidence = self._weigh(case, memory.kept.get(record.alarm))
            kept[record.alarm] = now
            told.append(evidence)
        if kept or memory.kept or second_fault is not memory.second_fault:
            memory = EvidenceMemory(second_fault, kept)
        return memory, tuple(told)

    def _band_of(self, fault: FaultAlarm, seen: Seen) -> DetectionBand | None:
        """Of the current where one is read, else of what the detector's contact says."""
        link = self._installed.machine.optical_link
        tags = [fault.own.path.tag] if fault.situation is Situation.CURRENT else []
        if link is not None and link.injected_current is not None:
            tags.append(link.injected_current)
        for tag in tags:
            band = self._band.of_current(seen, tag)
            if band is not None:
                return band
        if fault.situation in (Situation.CONTACT, Situation.DARK):
            return self._band.of_contact(seen, True)
        return None

    def _weigh(self, case: Case, before: Kept | None) -> tuple[Kept, Evidence]:
        gone = list(given(GONE, case))
        if gone and before is not None:
            observed = tuple(g.observed for g in gone if g.observed is not None)
            old = before.evidence
            return before, replace(
                old,
                observations=(*old.observations, *observed),
                questions=(*old.questions, *(g.question for g in gone if g.question)),
            )
        rules = self._rules[case.record.alarm]
        told = [*(g for rule in rules for g in given(rule, case)), *gone]
        evidence = _evidence(case.record.alarm, told)
        kept = _kept(evidence, before, case.seen.utc_ns)
        if kept.before is not None:
            age = duration((case.seen.utc_ns - kept.doubted_ns) / 1e9)
            question = (
                f"What has happened to the monitoring? Until {age} ago the evidence was: "
                f"{kept.before}."
            )
            evidence = replace(evidence, questions=(*evidence.questions, question))
        return kept, evidence


def conclude(told: Iterable[Given]) -> Conclusion:
    """What the observations come to, as the module's text has it."""
    speaking: dict[bool, set[str]] = {True: set(), False: set()}
    doubted = set()
    for one in told:
        if one.rule.counts and one.answer.truth is not None:
            speaking[one.answer.truth].add(one.answer.path)
        if one.observed is not None and one.observed.bearing is Bearing.DOUBT:
            doubted.add(one.observed.path)
    supporting, opposing = speaking[True] - doubted, speaking[False] - doubted
    if not supporting:
        return Conclusion.MONITOR_IN_DOUBT
    if opposing:
        return Conclusion.CONTRADICTED
    return Conclusion.CORROBORATED if len(supporting) > 1 else Conclusion.SINGLE_PATH


def _stands(record: AlarmRecord) -> bool:
    if record.state.held:
        return record.present
    return record.state is not AlarmState.NORMAL


def _evidence(alarm: str, told: list[Given]) -> Evidence:
    return Evidence(
        alarm,
        conclude(told),
        tuple(g.observed for g in told if g.observed is not None),
        tuple(dict.fromkeys(g.possible for g in told if g.possible)),
        tuple(dict.fromkeys(g.excluded for g in told if g.excluded)),
        tuple(dict.fromkeys(g.question for g in told if g.question)),
    )


def _kept(evidence: Evidence, before: Kept | None, utc_ns: int) -> Kept:
    if before is None or evidence.conclusion is not Conclusion.MONITOR_IN_DOUBT:
        return Kept(evidence)
    if before.evidence.conclusion is not Conclusion.MONITOR_IN_DOUBT:
        return Kept(evidence, before.evidence.conclusion, utc_ns)
    return Kept(evidence, before.before, before.doubted_ns)
