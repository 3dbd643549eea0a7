"""When each way to see a fault last proved that it could.

A channel is a tag that an earth-fault alarm rests on. Two things prove it: its device tested itself
and reported no failure, or the channel was in its alarm region while one over other devices was
too. Refuses to take a test whose end nobody saw, or the silence of an alarm, for a proof.
"""

from collections.abc import Mapping, Set
from dataclasses import dataclass, field
from typing import Final

from gateway.diagnosis.monitor_health import StatusBit, status_bits
from gateway.diagnosis.seen import Found, Seen
from gateway.diagnosis.subjects import subjects
from gateway.site.alarm import ContactAlarm, LimitAlarm
from gateway.site.installed import Site
from gateway.tags import Limit, Sample

SELF_TEST: Final = "self-test"
FAULT_SEEN: Final = "fault seen"

_RENEWED_NS: Final = 60 * 10**9  # a fault that stays proves anew once a minute
_DAY_NS: Final = 86_400 * 10**9


@dataclass(frozen=True, slots=True)
class Proof:
    """That a channel could see a fault."""

    clock_ns: int
    utc_ns: int
    by: str  # SELF_TEST or FAULT_SEEN


@dataclass(frozen=True, slots=True)
class ProofMemory:
    """The last proof of each channel, and the tests under way."""

    started_ns: int | None = None  # on the chain's clock: when the watch began
    proofs: dict[str, Proof] = field(default_factory=dict)
    testing: dict[str, bool] = field(default_factory=dict)  # by bit: whether it may still pass


@dataclass(frozen=True, slots=True)
class _Channel:
    """A tag below a limit, or a contact that is true."""

    tag: str
    devices: frozenset[str]
    below: float | None = None  # the highest limit, in the tag's unit; None: a contact

    def in_alarm(self, sample: Sample) -> bool:
        if sample.value is None or not sample.measured_now:
            return False
        if self.below is None:
            return bool(sample.value)
        # 'At least' proves nothing to be low.
        return sample.value < self.below and sample.status.limit is not Limit.HIGH


class ProofWatch:
    """The channels of one machine."""

    def __init__(self, site: Site, machine: str) -> None:
        self._subjects = within = subjects(site, machine)
        units = {t.tag: t.unit for t in site.tags_of(machine)}
        below: dict[str, float | None] = {}
        for alarm in site.earth_fault_alarms(machine):
            if isinstance(alarm, ContactAlarm):
                below[alarm.tag] = None
            elif isinstance(alarm, LimitAlarm) and alarm.below is not None:
                unit = units[alarm.tag]
                if unit is not None:
                    limit = alarm.below.in_unit(unit)
                    below[alarm.tag] = max(limit, below.get(alarm.tag) or limit)
        self._channels = tuple(
            _Channel(tag, within.devices_of(tag), limit) for tag, limit in below.items()
        )
        self._tests = status_bits(site, within, {"function check"})
        self._failures = status_bits(site, within, {"device failure"})
        self._overdue_ns = round(site.machine(machine).prove_every * 1e9)

    @property
    def channels(self) -> tuple[str, ...]:
        """The tags that earth-fault alarms rest on."""
        return tuple(c.tag for c in self._channels)

    def step(
        self, memory: ProofMemory, seen: Seen, silent: Set[str]
    ) -> tuple[ProofMemory, list[Found]]:
        """The channels whose proof is overdue; `silent` are the devices that give nothing."""
        testing, passed = self._tested(memory.testing, seen, silent)
        proofs: dict[str, Proof] = {}
        in_alarm = [c for c in self._channels if c.in_alarm(seen.samples[c.tag])]
        for channel in in_alarm:
            last = memory.proofs.get(channel.tag)
            if last is not None and seen.clock_ns - last.clock_ns < _RENEWED_NS:
                continue
            if any(not channel.devices & other.devices for other in in_alarm):
                proofs[channel.tag] = Proof(seen.clock_ns, seen.utc_ns, FAULT_SEEN)
        for channel in self._channels:
            if passed.intersection(self._subjects.inputs_of(channel.tag)):
                proofs[channel.tag] = Proof(seen.clock_ns, seen.utc_ns, SELF_TEST)
        if proofs or testing != memory.testing or memory.started_ns is None:
            started_ns = seen.clock_ns if memory.started_ns is None else memory.started_ns
            memory = ProofMemory(started_ns, memory.proofs | proofs, testing)
        return memory, self._overdue(memory, seen)

    def _tested(
        self, before: Mapping[str, bool], seen: Seen, silent: Set[str]
    ) -> tuple[dict[str, bool], set[str]]:
        """Tests under way, and the tags of those that were passed in this step."""
        testing: dict[str, bool] = {}
        passed: set[str] = set()
        for bit in self._tests:
            if bit.device in silent:  # nobody sees its end
                continue
            well = not any(f.says(seen.words) for f in self._failures if f.device == bit.device)
            key, under_way = _key(bit), bit.says(seen.words)
            if under_way:
                testing[key] = well and before.get(key, True)
            elif under_way is False and before.get(key) and well:
                passed.update(bit.tags)
        return testing, passed

    def _overdue(self, memory: ProofMemory, seen: Seen) -> list[Found]:
        found = []
        for channel in self._channels if self._overdue_ns else ():
            last = memory.proofs.get(channel.tag)
            since_ns = last.clock_ns if last is not None else memory.started_ns or 0
            if seen.clock_ns - since_ns > self._overdue_ns:
                what = f"the last proof, by {last.by}, is" if last is not None else "not proved for"
                detail = (
                    f"{what} {_span(seen.clock_ns - since_ns)}"
                    f"{' old' if last is not None else ''}; due every {_span(self._overdue_ns)}"
                )
                kind = self._subjects.kinds[channel.tag]
                found.append(Found(channel.tag, kind, "proof overdue", detail))
        return found


def _key(bit: StatusBit) -> str:
    return f"{bit.word}.{bit.bit}"


def _span(ns: int) -> str:
    return f"{ns / _DAY_NS:.1f} d" if ns >= _DAY_NS else f"{ns / 3600e9:.1f} h"
