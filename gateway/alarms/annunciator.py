"""All alarms of one machine, one step at a time: orders, suppression, conditions, first-up.

Pure. Knows what raises each alarm of the site file, and refuses to judge malfunctions or operating
states: those come from diagnosis, already judged.

First-up: of a group that was quiet (each of its alarms normal or held), all alarms that come in
the same step are marked, because one look cannot tell which of them was first. The marks stay
until the group is quiet again. What came first is what was annunciated first, after its on-delay.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from gateway.alarms import conditions, life_cycle
from gateway.alarms.conditions import Track, Truth
from gateway.alarms.life_cycle import Memory, Settings
from gateway.alarms.states import Handling
from gateway.site.alarm import (
    Alarm,
    DeviationAlarm,
    LimitAlarm,
    MalfunctionAlarm,
    RateOfChangeAlarm,
)
from gateway.site.expression import Expression, expression
from gateway.site.units import Quantity, Unit
from gateway.tags import AlarmRecord, AlarmState, Command, Sample, Transition

_NS: Final = 1_000_000_000
_NEW: Final = Memory()

# From the samples and what is remembered of the value: the truth, and what is to be remembered.
Judge = Callable[[Mapping[str, Sample], Track, int], tuple[Truth, Track]]


@dataclass(frozen=True, slots=True)
class AnnunciatorMemory:
    """What is remembered of a machine's alarms between steps; plain data, by alarm and by group.

    Alarms and groups that the site does not have any more are dropped at the next step.
    """

    alarms: dict[str, Memory] = field(default_factory=dict)
    tracks: dict[str, Track] = field(
        default_factory=dict
    )  # of rate-of-change alarms, by what they are of
    first_up: dict[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Entry:
    """One alarm, as far as it can be settled before the first step."""

    settings: Settings
    judge: Judge | None  # None: a malfunction, judged by diagnosis
    track: str  # what the values that it remembers are of: with another one they mean nothing
    suppressed_when: Expression | None
    expression: str
    release_ns: int  # how long the expression must be false before the suppression ends


class Annunciator:
    """The alarms of one machine, in the order of the site file."""

    def __init__(self, alarms: Sequence[Alarm], units: Mapping[str, Unit]) -> None:
        """`units` are those of the machine's tags. Raises ValueError for alarms that do not fit."""
        self._entries = tuple(_entry(alarm, units) for alarm in alarms)
        self._tracks = frozenset(e.track for e in self._entries)
        self._settings = {e.settings.name: e.settings for e in self._entries}
        self._groups: dict[str, tuple[str, ...]] = {}
        for alarm in alarms:
            if alarm.group is not None:
                members = self._groups.get(alarm.group, ())
                self._groups[alarm.group] = (*members, alarm.name)
        # The records of a memory are made once: in most steps nothing changes.
        self._shown: tuple[AnnunciatorMemory | None, tuple[AlarmRecord, ...]] = None, ()

    def step(
        self,
        memory: AnnunciatorMemory,
        samples: Mapping[str, Sample],
        malfunction: Mapping[str, Truth],
        operating: Mapping[str, bool | None],
        commands: Sequence[Command],
        elapsed_ns: int,
        clock_ns: int,
        utc_ns: int,
    ) -> tuple[AnnunciatorMemory, tuple[AlarmRecord, ...], tuple[Transition, ...]]:
        """The alarms after one step, and what happened to them.

        `malfunction` is the truth of malfunction alarms by name, `operating` the operating states;
        what is missing is unknown. `elapsed_ns` counts for delays, `clock_ns` is the chain's own
        clock. Orders come first, one transition each, in their order: an order is given on what
        was seen before it. Orders for alarms of other machines are passed over. The memory is the
        same object where nothing changed.
        """
        alarms = {e.settings.name: memory.alarms.get(e.settings.name, _NEW) for e in self._entries}
        happened = self._ordered(alarms, commands, clock_ns, utc_ns)
        tracks = memory.tracks
        for entry in self._entries:
            self._hold(entry, alarms, operating, clock_ns, utc_ns, happened)
        for entry in self._entries:
            name = entry.settings.name
            if entry.judge is None:
                truth = malfunction.get(name, Truth.UNKNOWN)
            else:
                track = tracks.get(entry.track, ())
                truth, new = entry.judge(samples, track, clock_ns)
                if new is not track:
                    tracks = {**tracks, entry.track: new}
            alarms[name], moved = life_cycle.observe(
                entry.settings, alarms[name], truth, elapsed_ns, clock_ns, utc_ns
            )
            if moved is not None:
                happened.append(moved)
        after = self._remembered(memory, alarms, tracks, happened)
        if after is not self._shown[0]:
            self._shown = after, self._records(after)
        return after, self._shown[1], tuple(happened)

    def _records(self, memory: AnnunciatorMemory) -> tuple[AlarmRecord, ...]:
        marked = {
            name
            for group, members in self._groups.items()
            for name in memory.first_up.get(group, ())
            if name in members
        }
        return tuple(
            memory.alarms[name].record(name, first_up=name in marked) for name in self._settings
        )

    def _ordered(
        self, alarms: dict[str, Memory], commands: Sequence[Command], clock_ns: int, utc_ns: int
    ) -> list[Transition]:
        happened = []
        for command in commands:
            settings = self._settings.get(command.alarm)
            if settings is not None:
                alarms[command.alarm], signed = life_cycle.order(
                    settings, alarms[command.alarm], command, clock_ns, utc_ns
                )
                happened.append(signed)
        return happened

    def _hold(
        self,
        entry: _Entry,
        alarms: dict[str, Memory],
        operating: Mapping[str, bool | None],
        clock_ns: int,
        utc_ns: int,
        happened: list[Transition],
    ) -> None:
        """Ends a shelving in time, begins and ends suppression; unknown keeps it as it was."""
        name, memory = entry.settings.name, alarms[entry.settings.name]
        if memory.flags.shelved:
            memory, moved = life_cycle.unshelve_in_time(entry.settings, memory, clock_ns, utc_ns)
            if moved is not None:
                happened.append(moved)
        # An alarm whose expression was taken out of the site file is not suppressed any more.
        when = entry.suppressed_when
        wanted = False if when is None else when.value(operating)
        if entry.release_ns and when is not None:
            wanted, memory = _released(entry, memory, wanted, clock_ns)
        if wanted is not None and wanted != memory.flags.suppressed:
            why = f"{entry.expression or 'suppressed_when'}: {'true' if wanted else 'not true'}"
            memory, moved = life_cycle.suppress(
                entry.settings, memory, wanted, why, clock_ns, utc_ns
            )
            if moved is not None:
                happened.append(moved)
        alarms[name] = memory

    def _remembered(
        self,
        before: AnnunciatorMemory,
        alarms: dict[str, Memory],
        tracks: dict[str, Track],
        happened: Sequence[Transition],
    ) -> AnnunciatorMemory:
        same = len(alarms) == len(before.alarms) and all(
            before.alarms.get(name) is memory for name, memory in alarms.items()
        )
        if same and tracks is before.tracks and not happened:
            return before
        return AnnunciatorMemory(
            alarms,
            {what: track for what, track in tracks.items() if what in self._tracks},
            self._first_up(before, happened),
        )

    def _first_up(
        self, before: AnnunciatorMemory, happened: Sequence[Transition]
    ) -> dict[str, tuple[str, ...]]:
        marks = {}
        for group, members in self._groups.items():
            states = {name: before.alarms.get(name, _NEW).state for name in members}
            first = tuple(n for n in before.first_up.get(group, ()) if n in states)
            coming = False  # the group was quiet, and what comes in this step comes first
            for change in happened:
                if change.alarm not in states or change.before is change.after:
                    continue
                quiet = all(map(_quiet, states.values()))
                states[change.alarm] = change.after
                if change.after is AlarmState.UNACKNOWLEDGED and (quiet or coming):
                    first, coming = (*(first if coming else ()), change.alarm), True
            if first and not all(map(_quiet, states.values())):
                marks[group] = first
        return marks


def _released(
    entry: _Entry, memory: Memory, wanted: bool | None, clock_ns: int
) -> tuple[bool | None, Memory]:
    """Whether suppression is wanted, its end delayed; unknown ends nothing while the delay runs."""
    if wanted or not memory.flags.suppressed:
        still = memory.released_at_ns is None
        return wanted, memory if still else replace(memory, released_at_ns=None)
    if wanted is None:
        return None, memory
    if memory.released_at_ns is None:
        memory = replace(memory, released_at_ns=clock_ns)
    since_ns = memory.released_at_ns or 0
    return (None if clock_ns - since_ns < entry.release_ns else False), memory


def _quiet(state: AlarmState) -> bool:
    return state is AlarmState.NORMAL or state.held


def _entry(alarm: Alarm, units: Mapping[str, Unit]) -> _Entry:
    settings = Settings(
        alarm.name,
        round(alarm.on_delay * _NS),
        round(alarm.off_delay * _NS),
        Handling(alarm.latching, alarm.acknowledge_on_return, alarm.latched_comes_acknowledged),
        round(alarm.realarm_after * _NS),
        alarm.shelve_at_most,
    )
    when = expression(alarm.suppressed_when) if alarm.suppressed_when.strip() else None
    return _Entry(
        settings,
        _judge(alarm, units),
        _track(alarm, units),
        when,
        alarm.suppressed_when,
        round(alarm.release_delay * _NS),
    )


def _track(alarm: Alarm, units: Mapping[str, Unit]) -> str:
    if not isinstance(alarm, RateOfChangeAlarm):
        return ""
    end = "lowest" if alarm.rises_by is not None else "highest"
    return f"{alarm.name}: {end} of {alarm.tag}, {units[alarm.tag].name}"


def _judge(alarm: Alarm, units: Mapping[str, Unit]) -> Judge | None:
    if isinstance(alarm, MalfunctionAlarm):
        return None
    if isinstance(alarm, LimitAlarm):
        return _limit(alarm, units)
    if isinstance(alarm, DeviationAlarm):
        return _deviation(alarm, units)
    if isinstance(alarm, RateOfChangeAlarm):
        return _rate_of_change(alarm, units)
    tag = alarm.tag

    def contact(samples: Mapping[str, Sample], track: Track, clock_ns: int) -> tuple[Truth, Track]:
        return conditions.actuated(samples[tag]), track

    return contact


def _limit(alarm: LimitAlarm, units: Mapping[str, Unit]) -> Judge:
    given, upward = _one_of(alarm, alarm.above, alarm.below)
    tag, limit = alarm.tag, given.in_unit(units[alarm.tag])
    beyond, deadband = conditions.above if upward else conditions.below, abs(limit) * alarm.deadband

    def judge(samples: Mapping[str, Sample], track: Track, clock_ns: int) -> tuple[Truth, Track]:
        return beyond(samples[tag], limit, deadband), track

    return judge


def _deviation(alarm: DeviationAlarm, units: Mapping[str, Unit]) -> Judge:
    tag, reference = alarm.tag, alarm.reference
    limit = alarm.more_than.in_unit(units[tag])
    deadband, factor = limit * alarm.deadband, float(units[reference].factor / units[tag].factor)

    def judge(samples: Mapping[str, Sample], track: Track, clock_ns: int) -> tuple[Truth, Track]:
        found = conditions.apart(samples[tag], samples[reference], factor, limit, deadband)
        return found, track

    return judge


def _rate_of_change(alarm: RateOfChangeAlarm, units: Mapping[str, Unit]) -> Judge:
    given, upward = _one_of(alarm, alarm.rises_by, alarm.falls_by)
    tag, within_ns = alarm.tag, round(alarm.within * _NS)
    amount = given.in_unit(units[tag])
    deadband = amount * alarm.deadband

    def judge(samples: Mapping[str, Sample], track: Track, clock_ns: int) -> tuple[Truth, Track]:
        return conditions.moved_by(
            samples[tag], track, amount, deadband, within_ns, clock_ns, upward=upward
        )

    return judge


def _one_of(
    alarm: Alarm, upward: Quantity | None, downward: Quantity | None
) -> tuple[Quantity, bool]:
    if upward is not None:
        return upward, True
    if downward is not None:
        return downward, False
    raise ValueError(f"{alarm.name}: an alarm of kind {alarm.kind!r} without its limit")
