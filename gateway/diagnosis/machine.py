"""All diagnostics of one machine, in their order: what they rest on comes first.

A new diagnostic is one file in this room and one line here. Before the alarms are judged, operating
states, access, cross-checks and health are told (`assess`); after it, trend and evidence (`weigh`).

A diagnostic that fails by a fault of ours takes neither the alarms nor the others with it: what it
watches is not known, its memory stays as it was, and the machine's health tells of the failure.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Self

from gateway.diagnosis.access import Access, AccessMemory
from gateway.diagnosis.cross_check import CrossCheckMemory, CrossChecks
from gateway.diagnosis.evidence import EvidenceDesk, EvidenceMemory
from gateway.diagnosis.exciter import ExciterMemory, ExciterWatch
from gateway.diagnosis.health import HealthDesk, HealthMemory
from gateway.diagnosis.operating import Operating, OperatingMemory
from gateway.diagnosis.seen import AccessReport, Agreement, Assessed, Found, Seen
from gateway.diagnosis.trend import TrendDesk, TrendMemory
from gateway.diagnosis.unreached import Unreached
from gateway.site.installed import Site
from gateway.tags import (
    AlarmRecord,
    Evidence,
    Finding,
    HealthRecord,
    Sample,
    StatusSignal,
    Subject,
    Trend,
)

_CAUSE: Final = "diagnosis failed"


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
    failed: tuple[str, ...] = ()  # what of trend and evidence failed in the last step, and why


class MachineDiagnosis:
    """The diagnostics of one machine."""

    def __init__(self, site: Site, machine: str) -> None:
        self._machine = machine
        self._operating = Operating(site, machine)
        self._access = Access(site, machine)
        self._cross_checks = CrossChecks(site, machine)
        self._exciter = ExciterWatch(site, machine)
        self._health = HealthDesk(site, machine)
        self._trend = TrendDesk(site, machine)
        self._evidence = EvidenceDesk(site, machine)
        self._unreached = Unreached(site, machine)

    def subjects_of(self, tag: str) -> frozenset[str]:
        """What has to be well for a tag to be seen: itself, its device, its link."""
        return self._health.subjects_of(tag)

    def assess(
        self, memory: DiagnosisMemory, seen: Seen, alarms: tuple[AlarmRecord, ...]
    ) -> tuple[DiagnosisMemory, Assessed]:
        """What is known of the monitoring; `alarms` are those of the step before."""
        failed = _Failed()
        operating_memory, access_memory = memory.operating, memory.access
        operating: Mapping[str, bool | None] = {}
        access = AccessReport(None, 0)
        of_states: Iterable[Found] = ()
        of_access: Iterable[Found] = ()
        with failed.told_of("operating states"):
            operating_memory, operating, of_states = self._operating.step(memory.operating, seen)
        with failed.told_of("access"):
            access_memory, access, of_access = self._access.step(memory.access, seen, operating)
        cross_memory, exciter_memory = memory.cross_checks, memory.exciter
        agreements: tuple[Agreement, ...] = ()
        of_paths: Iterable[Found] = ()
        of_exciter: Iterable[Found] = ()
        with failed.told_of("cross-checks"):
            cross_memory, agreements, of_paths = self._cross_checks.step(memory.cross_checks, seen)
        with failed.told_of("exciter"):
            exciter_memory, of_exciter = self._exciter.step(memory.exciter, seen)
        more = [*of_states, *of_access, *of_paths, *of_exciter]
        if texts := (*failed.texts, *memory.failed):
            more.append(Found(self._machine, Subject.MACHINE, _CAUSE, "; ".join(texts)))
        health_memory, health = memory.health, tuple[HealthRecord, ...]()
        with failed.told_of("health"):
            health_memory, health = self._health.step(memory.health, seen, more, alarms)
        if not health:
            finding = Finding(_CAUSE, seen.utc_ns, "; ".join(failed.texts))
            failure = StatusSignal.FAILURE
            health = (HealthRecord(self._machine, Subject.MACHINE, failure, (finding,)),)
        return (
            DiagnosisMemory(
                operating_memory,
                access_memory,
                cross_memory,
                exciter_memory,
                health_memory,
                memory.evidence,
            ),
            Assessed(operating, access, agreements, health, complete=not failed.texts),
        )

    def shown(self, samples: Mapping[str, Sample], assessed: Assessed) -> Mapping[str, Sample]:
        """The samples as they may be shown: without access to the rotor none shows it sound."""
        return self._unreached.shown(samples, assessed)

    def weigh(
        self,
        memory: DiagnosisMemory,
        trend_memory: TrendMemory,
        seen: Seen,
        assessed: Assessed,
        alarms: tuple[AlarmRecord, ...],
    ) -> tuple[DiagnosisMemory, TrendMemory, tuple[Evidence, ...], Trend | None]:
        """Trend, and the evidence for the fault alarms as they stand now."""
        failed = _Failed()
        trend, evidence_memory = None, memory.evidence
        evidence: tuple[Evidence, ...] = ()
        with failed.told_of("trend"):
            trend_memory, trend = self._trend.step(trend_memory, seen, assessed.operating)
        with failed.told_of("evidence"):
            evidence_memory, evidence = self._evidence.step(
                memory.evidence, seen, assessed, alarms, trend
            )
        memory = replace(memory, evidence=evidence_memory, failed=tuple(failed.texts))
        return memory, trend_memory, evidence, trend


class _Failed:
    """The diagnostics that failed in a step, and why; what is told of does not fail any further."""

    def __init__(self) -> None:
        self.texts: list[str] = []
        self._what = ""

    def told_of(self, what: str) -> Self:
        self._what = what
        return self

    def __enter__(self) -> None:
        pass

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, _: object
    ) -> bool:
        if not isinstance(error, Exception):
            return False
        self.texts.append(f"{self._what}: {type(error).__name__}: {error}")
        return True
