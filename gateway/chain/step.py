"""The pure step of one machine: Readings and orders in, a Frame out.

No I/O, no clock, no randomness: the same Readings, orders and times give the same Frames, byte
for byte. The state is plain data that can be saved and loaded at any step, in parts: a part that
does not read back begins anew and is told, the others go on.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from typing import Any, Final, Self

from gateway.alarms.annunciator import Annunciator, AnnunciatorMemory
from gateway.alarms.conditions import Truth
from gateway.chain.state import (
    ON_THE_CLOCK,
    PARTS,
    ChainClock,
    ChainState,
    SignalsMemory,
    encoded,
    first_line,
    read_back,
)
from gateway.diagnosis.causes import CAUSES
from gateway.diagnosis.machine import MachineDiagnosis
from gateway.diagnosis.seen import Assessed, Seen
from gateway.rotor import estimate
from gateway.signals import sampling
from gateway.signals.sampling import Observation, SignalState
from gateway.signals.self_report import SelfReport, Word, self_report
from gateway.site.alarm import MalfunctionAlarm
from gateway.site.installed import Site
from gateway.site.model import Signal
from gateway.tags import (
    GATEWAY_WELL,
    AlarmRecord,
    AlarmState,
    Command,
    Frame,
    GatewayCondition,
    Instant,
    Reading,
    Transition,
)

_NS: Final = 1_000_000_000
# Common practice, no source: one missed scan is jitter, more of them are a pause.
_SCANS_MISSED: Final = 3
_PAUSE_LEAST_NS: Final = 3 * _NS


class Chain:
    """One machine's way from raw registers to alarms."""

    def __init__(self, site: Site, machine: str, sequence: int = 0) -> None:
        """A chain that remembers nothing; its first step has the number after `sequence`."""
        self.machine = site.machine(machine)
        self._scan_ns = round(self.machine.scan * _NS)
        self._pause_ns = max(_SCANS_MISSED * self._scan_ns, _PAUSE_LEAST_NS)
        self._signals = tuple(s for s in site.file.signals if s.machine == machine)
        self._points = {s.tag: site.point_of(s) for s in self._signals}
        self._reports = {s.tag: _self_report(site, s) for s in self._signals}
        self._judging = frozenset(p for r in self._reports.values() for p in r.points)
        self._units = {t.tag: t.unit for t in site.tags_of(machine) if t.unit is not None}
        alarms = tuple(a for a in site.file.alarms if a.machine == machine)
        self._alarms = frozenset(a.name for a in alarms)
        self._annunciator = Annunciator(alarms, self._units)
        self._diagnosis = MachineDiagnosis(site, machine)
        self._malfunctions = tuple(
            (a, frozenset[str]().union(*map(self._diagnosis.subjects_of, a.tags)))
            for a in alarms
            if isinstance(a, MalfunctionAlarm)
        )
        self.lost: tuple[str, ...] = ()
        self._sequence = sequence
        self._state = ChainState()
        self._before = self._sequence, self._state  # the last step
        self._saved: dict[str, tuple[object, bytes]] = {}  # a memory and its bytes, by part

    @classmethod
    def resumed(cls, site: Site, machine: str, parts: Mapping[str, bytes], sequence: int) -> Self:
        """A chain that goes on from the saved parts, with the number after `sequence`.

        A part that is missing begins anew; so does one that does not read back, which `lost`
        then tells, one text each; and each alarm that was not normal and is none of the site's.
        """
        chain = cls(site, machine, sequence)
        found: dict[str, Any] = {}
        lost = {part: "this version does not know it" for part in parts if part not in PARTS}
        for part in PARTS:
            if part in parts:
                try:
                    found[part] = read_back(PARTS[part].adapter, parts[part])
                except (ValueError, RecursionError) as error:
                    lost[part] = first_line(error)
        if "clock" in lost:
            for part in ON_THE_CLOCK:
                if found.pop(part, None) is not None:
                    lost[part] = "the clock that it counts on is lost"
        if (history := found.pop("trend_history", None)) is not None:
            found["trend"] = replace(found.get("trend", chain._state.trend), history=history)
        chain._state = replace(chain._state, **found)
        chain._before = sequence, chain._state
        chain.lost = (
            *(
                f"{machine}: the saved part {part!r} of the last run is lost and begins anew: {why}"
                for part, why in lost.items()
            ),
            *(
                f"{machine}: the alarm {name!r}, which was {memory.state}, is forgotten: this site "
                "does not have it"
                for name, memory in chain._state.alarms.alarms.items()
                if memory.state is not AlarmState.NORMAL and name not in chain._alarms
            ),
        )
        return chain

    @cached_property
    def points(self) -> frozenset[str]:
        """The "device.point" names whose Readings this chain takes."""
        return self._judging | {s.point for s in self._signals}

    def save(self) -> dict[str, bytes]:
        """The state after the last step, in parts; canonical: equal states are equal bytes."""
        for name, part in PARTS.items():
            held = part.held(self._state)
            kept = self._saved.get(name)
            if kept is None or kept[0] is not held:
                self._saved[name] = held, encoded(part.adapter, part.written(held))
        return {part: saved for part, (_, saved) in self._saved.items()}

    def step(
        self,
        readings: Sequence[Reading],
        now: Instant,
        commands: Sequence[Command] = (),
        gateway: GatewayCondition = GATEWAY_WELL,
    ) -> Frame:
        """The Frame of everything that is so at `now`.

        `readings` are those that arrived since the last step, in any order; Readings of points
        that this machine does not use are left out of the Frame.
        """
        self._before = self._sequence, self._state
        clock = self._state.clock
        clock_ns = clock.clock_ns + _elapsed_ns(clock.last, now)
        taken = self._in_order(readings)
        words, signals = self._take(taken, now, clock_ns)
        seen = self._seen(taken, now, clock_ns, words, signals, gateway)
        before = self._state.alarms.alarms
        diagnosis, assessed = self._diagnosis.assess(
            self._state.diagnosis, seen, tuple(m.record(n) for n, m in before.items())
        )
        shown = self._diagnosis.shown(seen.samples, assessed)
        if shown is not seen.samples:
            seen = replace(seen, samples=shown)
        alarms, records, transitions = self._annunciated(seen, assessed, commands)
        diagnosis, trend_memory, evidence, trend = self._diagnosis.weigh(
            diagnosis, self._state.trend, seen, assessed, records
        )
        self._sequence += 1
        self._state = ChainState(
            ChainClock(clock_ns, now),
            SignalsMemory(signals, words),
            alarms,
            diagnosis,
            trend_memory,
        )
        return Frame(
            self.machine.name,
            self._sequence,
            now,
            seen.readings,
            tuple(commands),
            tuple(seen.samples.values()),
            records,
            transitions,
            gateway,
            assessed.health,
            evidence,
            trend,
        )

    def _seen(
        self,
        taken: Sequence[Reading],
        now: Instant,
        clock_ns: int,
        words: Mapping[str, Word],
        signals: Mapping[str, SignalState],
        gateway: GatewayCondition,
    ) -> Seen:
        observations = self._observe(signals, clock_ns)
        return Seen(
            now.utc_ns,
            clock_ns,
            self._watched_ns(now),
            tuple(taken),
            {tag: o.sample for tag, o in observations.items()},
            frozenset(tag for tag, o in observations.items() if o.blind),
            signals,
            words,
            gateway,
        )

    def _annunciated(
        self, seen: Seen, assessed: Assessed, commands: Sequence[Command]
    ) -> tuple[AnnunciatorMemory, tuple[AlarmRecord, ...], tuple[Transition, ...]]:
        return self._annunciator.step(
            self._state.alarms,
            seen.samples,
            self._malfunction(assessed),
            assessed.operating,
            commands,
            seen.elapsed_ns,
            seen.clock_ns,
            seen.utc_ns,
        )

    def undo(self) -> None:
        """Forget the last step, also one that failed: nobody will hear of what happened in it."""
        self._sequence, self._state = self._before

    def _watched_ns(self, now: Instant) -> int:
        """What of the time since the last step counts for delays: of a pause only one scan.

        A restart, or a reboot with whatever the monotonic clock then reads, is no watch.
        """
        passed_ns = _monotonic_ns(self._state.clock.last, now)
        return passed_ns if passed_ns <= self._pause_ns else self._scan_ns

    def _malfunction(self, assessed: Assessed) -> dict[str, Truth]:
        """Whether each malfunction alarm's subjects show one of its status signals."""
        shown = [
            (record.subject, CAUSES[finding.cause].signal)
            for record in assessed.health
            for finding in record.findings
        ]
        not_shown = Truth.FALSE if assessed.complete else Truth.UNKNOWN
        return {
            alarm.name: Truth.TRUE
            if any(
                signal in alarm.signals and (not subjects or subject in subjects)
                for subject, signal in shown
            )
            else not_shown
            for alarm, subjects in self._malfunctions
        }

    def _in_order(self, readings: Sequence[Reading]) -> list[Reading]:
        """By time; of one time, what judges the others first; else in an order of their own.

        Readings of one poll have one time, and a Frame must not depend on how they were handed on.
        """
        used = (r for r in readings if r.point in self.points)
        return sorted(
            used,
            key=lambda r: (
                r.at.monotonic_ns,
                r.point not in self._judging,
                r.point,
                r.at.utc_ns,
                r.status,
                r.words,
            ),
        )

    def _take(
        self, readings: Sequence[Reading], now: Instant, clock_ns: int
    ) -> tuple[dict[str, Word], dict[str, SignalState]]:
        memory = self._state.signals
        words = dict(memory.words)
        signals = {s.tag: memory.signals.get(s.tag, SignalState()) for s in self._signals}
        for reading in readings:
            at_ns = clock_ns - max(0, now.monotonic_ns - reading.at.monotonic_ns)
            if reading.words and reading.point in self._judging:
                word = words.get(reading.point, Word(reading.words[0], at_ns))
                words[reading.point] = word.renewed(reading.words[0], at_ns)
                signals |= self._distrusted(reading.point, words, at_ns, signals)
            for signal in self._signals:
                if signal.point == reading.point:
                    quality = self._reports[signal.tag].quality(words, at_ns)
                    signals[signal.tag] = sampling.take(
                        signal,
                        self._points[signal.tag],
                        signals[signal.tag],
                        reading,
                        at_ns,
                        quality,
                    )
        return words, signals

    def _distrusted(
        self,
        point: str,
        words: dict[str, Word],
        at_ns: int,
        signals: Mapping[str, SignalState],
    ) -> dict[str, SignalState]:
        """The signals that a device's word casts doubt on: at once, not only when next read."""
        qualities = {
            tag: report.quality(words, at_ns)
            for tag, report in self._reports.items()
            if point in report.points
        }
        return {
            tag: replace(signals[tag], trouble=quality)
            for tag, quality in qualities.items()
            if not quality.is_good
        }

    def _observe(self, signals: Mapping[str, SignalState], clock_ns: int) -> dict[str, Observation]:
        """All tags in the order of the site: measured ones, then computed ones."""
        seen = {s.tag: sampling.show(s, signals[s.tag], clock_ns) for s in self._signals}
        injection = self.machine.pulse_injection
        if injection is not None:
            samples = {tag: o.sample for tag, o in seen.items()}
            blind = any(seen[tag].blind for tag in estimate.input_tags(injection))
            for sample in estimate.pulse_injection(injection, samples, self._units):
                seen[sample.tag] = Observation(sample, blind or sample.status.is_bad)
        return seen


def _elapsed_ns(last: Instant | None, now: Instant) -> int:
    """Since the last step, on the monotonic clock; after a reboot, which resets that, by UTC."""
    if last is None or now.monotonic_ns >= last.monotonic_ns:
        return _monotonic_ns(last, now)
    return max(0, now.utc_ns - last.utc_ns)


def _monotonic_ns(last: Instant | None, now: Instant) -> int:
    return max(0, now.monotonic_ns - last.monotonic_ns) if last is not None else 0


def _self_report(site: Site, signal: Signal) -> SelfReport:
    device, point = signal.point.split(".", 1)
    return self_report(site.profile_of(site.device(device)), device, point)
