"""All diagnostics of one machine, in their order: what they rest on comes first.

A new diagnostic is one file in this room and one line here. Before the alarms are judged, operating
states, access, cross-checks and health are told (`assess`); after it, trend and evidence (`weigh`).
"""

from dataclasses import dataclass, field, replace

from gateway.diagnosis.access import Access
from gateway.diagnosis.access import Memory as AccessMemory
from gateway.diagnosis.cross_check import CrossCheckMemory, CrossChecks
from gateway.diagnosis.evidence import EvidenceDesk, EvidenceMemory
from gateway.diagnosis.exciter import ExciterMemory, ExciterWatch
from gateway.diagnosis.health import HealthDesk, HealthMemory
from gateway.diagnosis.operating import Memory as OperatingMemory
from gateway.diagnosis.operating import Operating
from gateway.diagnosis.seen import Assessed, Seen
from gateway.diagnosis.trend import TrendDesk, TrendMemory
from gateway.site.installed import Site
from gateway.tags import AlarmRecord, Evidence, Trend


@dataclass(frozen=True, slots=True)
class DiagnosisMemory:
    """What the diagnostics remember between steps; plain data. The trend has a memory of its own,
    which is large and changes rarely."""

    operating: OperatingMemory = field(default_factory=OperatingMemory)
    access: AccessMemory = field(default_factory=AccessMemory)
    cross_checks: CrossCheckMemory = field(default_factory=CrossCheckMemory)
    exciter: ExciterMemory = field(default_factory=ExciterMemory)
    health: HealthMemory = field(default_factory=HealthMemory)
    evidence: EvidenceMemory = field(default_factory=EvidenceMemory)


class MachineDiagnosis:
    """The diagnostics of one machine."""

    def __init__(self, site: Site, machine: str) -> None:
        self._operating = Operating(site, machine)
        self._access = Access(site, machine)
        self._cross_checks = CrossChecks(site, machine)
        self._exciter = ExciterWatch(site, machine)
        self._health = HealthDesk(site, machine)
        self._trend = TrendDesk(site, machine)
        self._evidence = EvidenceDesk(site, machine)

    def subjects_of(self, tag: str) -> frozenset[str]:
        """What has to be well for a tag to be seen: itself, its device, its link."""
        return self._health.subjects_of(tag)

    def assess(
        self, memory: DiagnosisMemory, seen: Seen, alarms: tuple[AlarmRecord, ...]
    ) -> tuple[DiagnosisMemory, Assessed]:
        """What is known of the monitoring; `alarms` are those of the step before."""
        operating_memory, operating = self._operating.step(memory.operating, seen)
        access_memory, access, of_access = self._access.step(memory.access, seen, operating)
        cross_memory, agreements, of_paths = self._cross_checks.step(memory.cross_checks, seen)
        exciter_memory, of_exciter = self._exciter.step(memory.exciter, seen)
        health_memory, health = self._health.step(
            memory.health, seen, (*of_access, *of_paths, *of_exciter), alarms
        )
        return (
            DiagnosisMemory(
                operating_memory,
                access_memory,
                cross_memory,
                exciter_memory,
                health_memory,
                memory.evidence,
            ),
            Assessed(operating, access, agreements, health),
        )

    def weigh(
        self,
        memory: DiagnosisMemory,
        trend_memory: TrendMemory,
        seen: Seen,
        assessed: Assessed,
        alarms: tuple[AlarmRecord, ...],
    ) -> tuple[DiagnosisMemory, TrendMemory, tuple[Evidence, ...], Trend | None]:
        """Trend, and the evidence for the fault alarms as they stand now."""
        trend_memory, trend = self._trend.step(trend_memory, seen, assessed.operating)
        evidence_memory, evidence = self._evidence.step(
            memory.evidence, seen, assessed, alarms, trend
        )
        return replace(memory, evidence=evidence_memory), trend_memory, evidence, trend
