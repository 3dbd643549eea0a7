"""What a journal says of each alarm over a time: when it was annunciated, active, shelved.

An annunciation is a change into the unacknowledged state, whatever brought it: the condition, a
re-alarm, or the end of a hold with the condition present. What comes and goes while an alarm is
held is none. Pure. Refuses to guess: an alarm that is first met while it is active counts as
active since the first entry at hand.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

from gateway.alarms.journal import JournalEntry
from gateway.alarms.states import Cue
from gateway.tags import AlarmState, Transition


@dataclass(frozen=True, slots=True)
class Annunciation:
    """One call for the operator; `gone_ns` is when it was over with nobody having acknowledged."""

    alarm: str
    utc_ns: int
    gone_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Shelving:
    """An alarm that is shelved at the end of the time looked at."""

    alarm: str
    who: str
    why: str
    until_ns: int  # UTC


@dataclass(frozen=True, slots=True)
class Active:
    """From when to when one alarm was active without a break; None: it still is."""

    alarm: str
    begin_ns: int
    end_ns: int | None


@dataclass(slots=True)
class _Course:
    """One alarm on its way through the journal."""

    annunciations: list[Annunciation] = field(default_factory=list)
    active: list[Active] = field(default_factory=list)
    shelving: Shelving | None = None
    met: bool = False

    def go(self, change: Transition, utc_ns: int, first_ns: int) -> None:
        before, after = change.before, change.after
        if not self.met and before.active:
            self.active.append(Active(change.alarm, first_ns, None))
        self.met = True
        # A state that was lost between two entries ended something without an entry of its own.
        if not before.active and self.active and self.active[-1].end_ns is None:
            self.active[-1] = Active(change.alarm, self.active[-1].begin_ns, utc_ns)
        if not before.held:
            self.shelving = None
        if change.refusal:
            return
        if change.cue == Cue.SHELVE:
            self.shelving = Shelving(change.alarm, change.who, change.why, change.until_ns)
        elif change.cue == Cue.UNSHELVE:
            self.shelving = None
        if before is after:
            return
        if change.cue == Cue.CLEAR and before is AlarmState.UNACKNOWLEDGED and self.annunciations:
            call = self.annunciations[-1]
            self.annunciations[-1] = Annunciation(call.alarm, call.utc_ns, utc_ns)
        if after is AlarmState.UNACKNOWLEDGED:
            self.annunciations.append(Annunciation(change.alarm, utc_ns))
        if after.active and not before.active:
            self.active.append(Active(change.alarm, utc_ns, None))
        elif before.active and not after.active and self.active:
            self.active[-1] = Active(change.alarm, self.active[-1].begin_ns, utc_ns)


@dataclass(frozen=True, slots=True)
class Activations:
    """All of it, of all alarms."""

    annunciations: tuple[Annunciation, ...]  # by time
    active: tuple[Active, ...]
    shelvings: tuple[Shelving, ...]


def activations(entries: Iterable[JournalEntry], until_ns: int) -> Activations:
    """What the entries before `until_ns` say; they come in the order of the journal."""
    courses: dict[str, _Course] = {}
    first_ns: int | None = None
    for entry in entries:
        if entry.utc_ns >= until_ns:
            continue
        first_ns = entry.utc_ns if first_ns is None else first_ns
        course = courses.setdefault(entry.transition.alarm, _Course())
        course.go(entry.transition, entry.utc_ns, first_ns)
    calls = [call for course in courses.values() for call in course.annunciations]
    return Activations(
        tuple(sorted(calls, key=lambda c: c.utc_ns)),
        tuple(spell for course in courses.values() for spell in course.active),
        tuple(course.shelving for course in courses.values() if course.shelving),
    )
