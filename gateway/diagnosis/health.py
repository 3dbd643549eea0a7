"""The health of all that one machine's monitoring rests on, in terms of NAMUR NE 107.

Gathers what all diagnostics have found into one record for each link, device, tag, the machine and
the gateway, always in this order. A finding keeps its time and its figures while its cause lasts.
The machine's record has every cause once, with the subjects that have it. Where the rotor is not
reached, that is told of each value too that is measured on it. Refuses to judge.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Final

from gateway.diagnosis.causes import CAUSES, NO_ACCESS, NO_LIGHT
from gateway.diagnosis.gateway_health import GATEWAY, GatewayHealth, GatewayMemory
from gateway.diagnosis.link_health import LinkHealth, LinkMemory
from gateway.diagnosis.measuring import measuring_tags
from gateway.diagnosis.monitor_health import MonitorHealth, MonitorMemory
from gateway.diagnosis.proof import Proof, ProofMemory, ProofWatch
from gateway.diagnosis.seen import Found, Seen
from gateway.diagnosis.signal_health import SignalHealth, SignalMemory
from gateway.diagnosis.subjects import subjects
from gateway.site.installed import Site
from gateway.tags import AlarmRecord, Finding, HealthRecord, StatusSignal, Subject

_NAMED: Final = 6  # subjects named for one cause of the machine; the others are counted

Findings = dict[str, tuple[Finding, ...]]


@dataclass(frozen=True, slots=True)
class HealthMemory:
    """What the diagnostics of health remember, and the findings that last."""

    links: LinkMemory = field(default_factory=LinkMemory)
    monitors: MonitorMemory = field(default_factory=MonitorMemory)
    signals: SignalMemory = field(default_factory=SignalMemory)
    gateway: GatewayMemory = field(default_factory=GatewayMemory)
    proof: ProofMemory = field(default_factory=ProofMemory)
    findings: Findings = field(default_factory=dict)  # by "kind subject"


class HealthDesk:
    """The health of one machine's monitoring."""

    def __init__(self, site: Site, machine: str) -> None:
        self._subjects = within = subjects(site, machine)
        self._links = LinkHealth(site, machine)
        self._monitors = MonitorHealth(site, machine)
        self._signals = SignalHealth(site, machine)
        self._gateway = GatewayHealth(site, machine)
        self._proof = ProofWatch(site, machine)
        self._below_machine: tuple[tuple[Subject, str], ...] = (
            *((Subject.LINK, link) for link in within.links),
            *((Subject.MONITOR, device) for device in within.devices),
            *((kind, tag) for tag, kind in within.kinds.items()),
        )
        measured = measuring_tags(site, machine)
        self._through_access = (*measured, *within.computed)
        link = site.machine(machine).optical_link
        self._by_light = (link.dark,) if link is not None else ()
        self._of = {tag: within.subjects_of(tag) for tag in within.kinds}
        # The last records, and what they were made of: the same again as long as that stands.
        self._made_of: tuple[Findings, dict[str, Proof]] | None = None
        self._records: tuple[HealthRecord, ...] = ()

    def subjects_of(self, tag: str) -> frozenset[str]:
        """What has to be well for a tag to be seen: itself, its inputs, their devices and links."""
        return self._of[tag]

    def step(
        self,
        memory: HealthMemory,
        seen: Seen,
        more: Iterable[Found],
        alarms: tuple[AlarmRecord, ...],
    ) -> tuple[HealthMemory, tuple[HealthRecord, ...]]:
        """All records; `more` is what other diagnostics found, `alarms` are of the step before."""
        links, of_links = self._links.step(memory.links, seen)
        silent = of_links.silent.keys()
        monitors, of_monitors = self._monitors.step(memory.monitors, seen, silent)
        signals, of_signals = self._signals.step(memory.signals, seen, of_links, of_monitors)
        others = (*of_signals, *self._handed_on(more))
        in_doubt = {f.subject for f in others}
        gateway, of_gateway = self._gateway.step(memory.gateway, seen, alarms, in_doubt)
        proof, of_proof = self._proof.step(memory.proof, seen, silent)
        found = (*of_links.found, *of_monitors.found, *others, *of_gateway, *of_proof)
        findings = self._lasting(memory.findings, found, seen.utc_ns)
        if (
            links is not memory.links
            or monitors is not memory.monitors
            or signals is not memory.signals
            or gateway is not memory.gateway
            or proof is not memory.proof
            or findings is not memory.findings
        ):
            memory = HealthMemory(links, monitors, signals, gateway, proof, findings)
        return memory, self._recorded(findings, proof.proofs)

    def _handed_on(self, more: Iterable[Found]) -> Iterator[Found]:
        """What was found, and of a rotor that is not reached also each value measured on it."""
        for one in more:
            yield one
            if one.kind is Subject.MACHINE and one.cause in NO_ACCESS | NO_LIGHT:
                tags = self._through_access if one.cause in NO_ACCESS else self._by_light
                for tag in tags:
                    yield Found(tag, self._subjects.kinds[tag], one.cause, one.detail)

    def _lasting(self, before: Findings, found: Iterable[Found], utc_ns: int) -> Findings:
        """The findings of now; what lasts keeps its time and detail."""
        now: dict[str, dict[str, Finding]] = {}
        for one in found:
            key = self._key(one)
            mine = now.setdefault(key, {})
            if one.cause not in mine:
                lasting = (f for f in before.get(key, ()) if f.cause == one.cause)
                new = Finding(one.cause, utc_ns, one.detail)
                mine[one.cause] = next(lasting, new)
        sorted_now = {
            key: tuple(sorted(mine.values(), key=_worst_first)) for key, mine in now.items()
        }
        return before if sorted_now == before else sorted_now

    def _key(self, found: Found) -> str:
        # A diagnostic may not know whether a tag is a loop; a tag has one record all the same.
        of_tag = found.kind in (Subject.LOOP, Subject.CONTACT, Subject.VALUE)
        kind = self._subjects.kinds.get(found.subject, found.kind) if of_tag else found.kind
        return _key(kind, found.subject)

    def _recorded(self, findings: Findings, proofs: dict[str, Proof]) -> tuple[HealthRecord, ...]:
        made_of = self._made_of
        if made_of is not None and made_of[0] is findings and made_of[1] is proofs:
            return self._records
        before = {(r.kind, r.subject): r for r in self._records}
        machine, name = Subject.MACHINE, self._subjects.machine
        known = {_key(kind, subject) for kind, subject in self._below_machine}
        known |= {_key(machine, name), _key(Subject.GATEWAY, GATEWAY)}
        # What a diagnostic says of anything else comes last of all, but it is never lost.
        strange = (key.split(" ", 1) for key in sorted(findings.keys() - known))
        records = [
            _record(
                kind,
                subject,
                findings.get(_key(kind, subject), ()),
                proofs.get(subject) if kind is self._subjects.kinds.get(subject) else None,
            )
            for kind, subject in (*self._below_machine, *((Subject(k), s) for k, s in strange))
        ]
        own = findings.get(_key(machine, name), ())
        records.append(_record(machine, name, _rolled_up(own, records), None))
        of_gateway = findings.get(_key(Subject.GATEWAY, GATEWAY), ())
        records.append(_record(Subject.GATEWAY, GATEWAY, of_gateway, None))
        # A record that says the same is the same object, which comparisons further on make use of.
        self._records = tuple(
            old if (old := before.get((r.kind, r.subject))) == r and old is not None else r
            for r in records
        )
        self._made_of = (findings, proofs)
        return self._records


def _key(kind: Subject, subject: str) -> str:
    return f"{kind} {subject}"


def _worst_first(finding: Finding) -> tuple[int, int, str]:
    return -CAUSES[finding.cause].signal.badness, finding.since_ns, finding.cause


def _record(
    kind: Subject, subject: str, findings: tuple[Finding, ...], proof: Proof | None
) -> HealthRecord:
    signal = StatusSignal.NORMAL.worst(*(CAUSES[f.cause].signal for f in findings))
    if proof is None:
        return HealthRecord(subject, kind, signal, findings)
    return HealthRecord(subject, kind, signal, findings, proof.utc_ns, proof.by)


def _rolled_up(own: tuple[Finding, ...], records: Iterable[HealthRecord]) -> tuple[Finding, ...]:
    """Each cause once: since it first was there, and the subjects that have it now."""
    since_ns: dict[str, int] = {}
    named: dict[str, list[str]] = {}
    for record in records:
        for finding in record.findings:
            first_ns = since_ns.get(finding.cause, finding.since_ns)
            since_ns[finding.cause] = min(first_ns, finding.since_ns)
            named.setdefault(finding.cause, []).append(record.subject)
    mine = {f.cause: f for f in own}
    rolled = [Finding(c, ns, _listed(named[c])) for c, ns in since_ns.items() if c not in mine]
    return tuple(sorted((*own, *rolled), key=_worst_first))


def _listed(subjects_: list[str]) -> str:
    more = len(subjects_) - _NAMED
    listed = ", ".join(subjects_[:_NAMED])
    return f"{listed} and {more} more" if more > 0 else listed
