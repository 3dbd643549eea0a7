"""One alarm: its condition, its delays, its state. Pure; time goes in as elapsed nanoseconds.

While the condition is unknown the delays stand still and the state holds: data that stop never
raise and never clear an alarm.
"""

from dataclasses import dataclass, replace

from gateway.alarms.conditions import Truth
from gateway.alarms.states import REFUSALS, Cue, move
from gateway.tags import AlarmRecord, AlarmState, Command, Transition


@dataclass(frozen=True, slots=True)
class Settings:
    """What the life cycle needs to know of an alarm."""

    name: str
    on_delay_ns: int
    off_delay_ns: int
    latching: bool


@dataclass(frozen=True, slots=True)
class Memory:
    """What is remembered of one alarm between steps; plain data."""

    state: AlarmState = AlarmState.NORMAL
    since_ns: int = 0  # UTC of the last change
    condition: bool = False  # the comparator, deadband applied
    present: bool = False  # the condition after its delays
    pending_ns: int | None = None  # how long the comparator has disagreed with `present`
    judged: bool = False

    def record(self, name: str) -> AlarmRecord:
        return AlarmRecord(name, self.state, self.judged, self.since_ns)


def observe(
    settings: Settings, memory: Memory, truth: Truth, elapsed_ns: int, utc_ns: int
) -> tuple[Memory, Transition | None]:
    """The memory after one look at the condition, `elapsed_ns` after the last one.

    A delay of zero acts at once; a delay runs from the look at which the condition changed.
    """
    if truth is Truth.UNKNOWN:
        return replace(memory, judged=False), None
    condition = memory.condition if truth is Truth.KEPT else truth is Truth.TRUE
    memory = replace(memory, condition=condition, judged=True)
    if condition == memory.present:
        return replace(memory, pending_ns=None), None
    pending_ns = 0 if memory.pending_ns is None else memory.pending_ns + elapsed_ns
    delay_ns = settings.on_delay_ns if condition else settings.off_delay_ns
    if pending_ns < delay_ns:
        return replace(memory, pending_ns=pending_ns), None
    memory = replace(memory, present=condition, pending_ns=None)
    return _moved(settings, memory, Cue.OCCUR if condition else Cue.CLEAR, utc_ns)


def order(
    settings: Settings, memory: Memory, command: Command, utc_ns: int
) -> tuple[Memory, Transition]:
    """The memory after an operator's order and the journal's entry; that says a refusal, too."""
    cue = Cue(command.order.value)
    moved, transition = _moved(settings, memory, cue, utc_ns)
    if transition is None:
        refusal = REFUSALS[memory.state, cue]
        transition = Transition(settings.name, cue, memory.state, memory.state, refusal=refusal)
    return moved, replace(transition, who=command.who, why=command.why)


def _moved(
    settings: Settings, memory: Memory, cue: Cue, utc_ns: int
) -> tuple[Memory, Transition | None]:
    after = move(memory.state, cue, latching=settings.latching)
    if after is None:
        return memory, None
    transition = Transition(settings.name, cue, memory.state, after)
    return replace(memory, state=after, since_ns=utc_ns), transition
