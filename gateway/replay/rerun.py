"""A capture taken through the chains of a site again, and what differs from the day itself.

Memory is bounded by the site, not by the length of the capture. Refuses a capture in which a step
is missing, and one that has no machine of the site.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

from gateway.alarms.journal import JournalEntry, entries_of
from gateway.chain import Chain
from gateway.replay.capture import Beginning, Capture, CaptureError, Step
from gateway.site.installed import Site
from gateway.tags import Frame, Instant


@dataclass(slots=True)
class Tally:
    """What one alarm did: how often it called, when first, how long it was on."""

    activations: int = 0
    first_ns: int = 0  # UTC; 0: never
    active_ns: int = 0

    def count(self, entry: JournalEntry) -> None:
        """Take in one journal entry of this alarm."""
        if entry.is_activation:
            self.activations += 1
            self.first_ns = self.first_ns or entry.utc_ns


@dataclass(frozen=True, slots=True)
class WhatIf:
    """One alarm on the day itself and in the replay; None where the site has no such alarm."""

    alarm: str
    recorded: Tally | None
    replayed: Tally | None

    @property
    def verdict(self) -> str:
        """In one word or two what differs."""
        one, other = self.recorded, self.replayed
        if one is None or other is None:
            return "added" if one is None else "removed"
        if one == other:
            return "same"
        if not one.activations or not other.activations:
            if one.activations == other.activations:
                return "other duration"
            return "comes" if other.activations else "vanishes"
        if one.first_ns != other.first_ns:
            shift_s = (other.first_ns - one.first_ns) / 1e9
            return f"{abs(shift_s):.3g} s {'later' if shift_s > 0 else 'earlier'}"
        return "other number" if one.activations != other.activations else "other duration"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a replay came to."""

    steps: int  # of the window
    recorded: int  # journal entries
    replayed: int
    difference: str  # the first one between the two journals; "" where they are the same bytes
    alarms: tuple[WhatIf, ...]  # in the order of the site, then what it no longer has
    missing: tuple[str, ...]  # machines of the capture that the site does not have
    lost: tuple[str, ...]  # saved parts and alarms that this site or version could not go on from

    @property
    def identical(self) -> bool:
        """Whether both journals are the same bytes."""
        return not self.difference


@dataclass(slots=True)
class _Machine:
    """One machine on its way through the capture."""

    chain: Chain | None  # None: the site does not have it
    sequence: int
    last: Instant | None = None
    recorded_on: tuple[str, ...] = ()
    replayed_on: tuple[str, ...] = ()


@dataclass(slots=True)
class _Sides:
    """What each alarm did, on both sides."""

    recorded: dict[str, Tally] = field(default_factory=dict)
    replayed: dict[str, Tally] = field(default_factory=dict)


def rerun(
    capture: Capture,
    site: Site,
    write: Callable[[JournalEntry], None],
    passed: Callable[[int, int], None],
) -> Outcome:
    """Take a capture through the chains of a site.

    `write` is given each journal entry of the replay, `passed` after each step how many there were
    and its UTC time. Raises CaptureError.
    """
    return _Rerun(capture, site, write, passed).outcome()


class _Rerun:
    def __init__(
        self,
        capture: Capture,
        site: Site,
        write: Callable[[JournalEntry], None],
        passed: Callable[[int, int], None],
    ) -> None:
        self._capture, self._site, self._write, self._passed = capture, site, write, passed
        begun = capture.header.beginnings
        self._machines = {b.machine: _Machine(_chain(site, b), b.sequence) for b in begun}
        self._missing = tuple(m for m, on in self._machines.items() if on.chain is None)
        if len(self._missing) == len(begun):
            raise CaptureError(
                f"the capture has machines {', '.join(self._missing)}, of which the site "
                f"{site.name} has none; replay it with another site file"
            )
        self._lost = tuple(t for on in self._machines.values() if on.chain for t in on.chain.lost)
        names = [a.name for a in site.file.alarms if a.machine in self._machines]
        self._sides = _Sides(
            {name: Tally() for b in begun for name in b.alarms}, {name: Tally() for name in names}
        )
        self._steps = self._recorded = self._replayed = 0
        self._number = capture.header.first_entry
        self._pending: list[JournalEntry] = []  # of the replayed step, not yet found recorded
        self._difference = ""

    def outcome(self) -> Outcome:
        for line in self._capture.lines():
            if isinstance(line, Step):
                self._settle()
                self._step(line)
            else:
                self._compare(line)
        self._settle()
        recorded, replayed = self._sides.recorded, self._sides.replayed
        names = dict.fromkeys((*replayed, *recorded))
        alarms = tuple(WhatIf(n, recorded.get(n), replayed.get(n)) for n in names)
        return Outcome(
            self._steps,
            self._recorded,
            self._replayed,
            self._difference,
            alarms,
            self._missing,
            self._lost,
        )

    def _step(self, step: Step) -> None:
        machine = self._machines.get(step.machine)
        if machine is None or step.sequence != machine.sequence + 1:
            after = "none" if machine is None else machine.sequence
            raise CaptureError(
                f"{step.machine}: step {step.sequence} follows step {after}: steps are missing in "
                "the capture; record it anew"
            )
        machine.sequence = step.sequence
        frame = None
        if machine.chain is not None:
            frame = machine.chain.step(step.readings, step.at, step.commands, step.gateway)
        if not step.run_up:
            self._count(machine, step, frame)
        machine.last = step.at
        machine.recorded_on = step.active
        machine.replayed_on = tuple(a.alarm for a in frame.alarms if a.active) if frame else ()

    def _count(self, machine: _Machine, step: Step, frame: Frame | None) -> None:
        self._steps += 1
        between_ns = _between_ns(machine.last, step.at)
        for names, tallies in (
            (machine.recorded_on, self._sides.recorded),
            (machine.replayed_on, self._sides.replayed),
        ):
            for name in names:
                tallies.setdefault(name, Tally()).active_ns += between_ns
        if frame is not None:
            self._pending = list(entries_of(frame, self._number))
            self._number += len(self._pending)
            self._replayed += len(self._pending)
            for entry in self._pending:
                self._sides.replayed[entry.transition.alarm].count(entry)
                self._write(entry)
        self._passed(self._steps, step.at.utc_ns)

    def _compare(self, recorded: JournalEntry) -> None:
        self._recorded += 1
        self._sides.recorded.setdefault(recorded.transition.alarm, Tally()).count(recorded)
        replayed = self._pending.pop(0) if self._pending else None
        if recorded != replayed and not self._difference:
            self._difference = _told(recorded, replayed)

    def _settle(self) -> None:
        """What the replayed step brought and the recorded one did not."""
        if self._pending and not self._difference:
            self._difference = _told(None, self._pending[0])
        self._pending = []


def _chain(site: Site, beginning: Beginning) -> Chain | None:
    if beginning.machine not in {m.name for m in site.file.machines}:
        return None
    parts = {part.name: part.text.encode() for part in beginning.parts}
    return Chain.resumed(site, beginning.machine, parts, beginning.sequence)


def _between_ns(last: Instant | None, at: Instant) -> int:
    """As the chain counts: on the monotonic clock; after a reboot, which resets that, by UTC."""
    if last is None:
        return 0
    if at.monotonic_ns >= last.monotonic_ns:
        return at.monotonic_ns - last.monotonic_ns
    return max(0, at.utc_ns - last.utc_ns)


def _told(recorded: JournalEntry | None, replayed: JournalEntry | None) -> str:
    one, other = (_said(e) for e in (recorded, replayed))
    if one == other and recorded is not None and replayed is not None:
        what = "number" if recorded.number != replayed.number else "Frame"
        return f"{one}: the same in both, but its {what} differs"
    return f"recorded: {one}; replayed: {other}"


def _said(entry: JournalEntry | None) -> str:
    if entry is None:
        return "nothing"
    done = entry.transition
    refused = f" refused ({done.refusal})" if done.refusal else ""
    return (
        f"{done.alarm} {done.cue}{refused}, {done.before.value} to {done.after.value}, "
        f"in step {entry.sequence} of {entry.machine}"
    )
