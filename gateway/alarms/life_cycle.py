"""One alarm: its condition, its delays, its holds. Pure; time goes in as nanoseconds.

While the condition is unknown the delays stand still and the state holds: data that stop never
raise and never clear an alarm. Refuses orders with a text that says what is missing.

A shelving ends when its duration has passed on the chain's clock, or when UTC reaches its end,
whichever comes first: so neither a clock that is set back nor a restart, over which the chain's
clock may lose time, keeps an alarm from the operator beyond both. A clock that is set forward may
bring it back early, which hides nothing.
"""

from dataclasses import dataclass, field, replace
from typing import Final

from gateway.alarms.conditions import Truth
from gateway.alarms.states import Cue, Flags, Handling, moved, refusal
from gateway.tags import AlarmRecord, AlarmState, Command, Transition

_NS: Final = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Settings:
    """What the life cycle needs to know of an alarm."""

    name: str
    on_delay_ns: int
    off_delay_ns: int
    handling: Handling = field(default_factory=Handling)
    realarm_after_ns: int = 0  # 0: never
    shelve_at_most_s: float = 0.0  # 0: may not be shelved


@dataclass(frozen=True, slots=True)
class Memory:
    """What is remembered of one alarm between steps; plain data."""

    flags: Flags = field(default_factory=Flags)
    since_ns: int = 0  # UTC of the last change of state
    condition: bool = False  # the comparator, deadband applied
    pending_ns: int | None = None  # how long the comparator has disagreed with `present`
    judged: bool = False
    acknowledged_at_ns: int = 0  # of the chain's clock, while the alarm is acknowledged and present
    shelved_until_ns: int = 0  # UTC; 0 while it is not shelved
    shelved_until_clock_ns: int = 0  # the same end on the chain's clock
    released_at_ns: int | None = None  # since when nothing asks for the suppression, chain's clock

    @property
    def state(self) -> AlarmState:
        """Of the alarm, as it follows from its flags."""
        return self.flags.state

    @property
    def present(self) -> bool:
        """The condition after its delays."""
        return self.flags.present

    def record(self, name: str, *, first_up: bool = False) -> AlarmRecord:
        """The alarm as a Frame has it."""
        return AlarmRecord(
            name,
            self.flags.state,
            self.judged,
            self.since_ns,
            self.flags.present,
            first_up,
            self.shelved_until_ns,
        )


def observe(
    settings: Settings, memory: Memory, truth: Truth, elapsed_ns: int, clock_ns: int, utc_ns: int
) -> tuple[Memory, Transition | None]:
    """The memory after one look at the condition, `elapsed_ns` after the last one.

    A delay of zero acts at once; a delay runs from the look at which the condition changed.
    The memory is the same object where nothing changed.
    """
    if truth is Truth.UNKNOWN:
        return (replace(memory, judged=False) if memory.judged else memory), None
    condition = memory.condition if truth is Truth.KEPT else truth is Truth.TRUE
    if condition == memory.flags.present:
        if condition != memory.condition or memory.pending_ns is not None or not memory.judged:
            memory = replace(memory, condition=condition, pending_ns=None, judged=True)
        return _realarmed(settings, memory, clock_ns, utc_ns)
    pending_ns = 0 if memory.pending_ns is None else memory.pending_ns + elapsed_ns
    delay_ns = settings.on_delay_ns if condition else settings.off_delay_ns
    if pending_ns < delay_ns:
        return replace(memory, condition=condition, pending_ns=pending_ns, judged=True), None
    memory = replace(memory, condition=condition, pending_ns=None, judged=True)
    return _moved(settings, memory, Cue.OCCUR if condition else Cue.CLEAR, clock_ns, utc_ns)


def order(
    settings: Settings, memory: Memory, command: Command, clock_ns: int, utc_ns: int
) -> tuple[Memory, Transition]:
    """The memory after an operator's order and the journal's entry; that says a refusal, too."""
    cue = Cue(command.order.value)
    why_not = _unfit(settings, command, cue) or refusal(memory.flags, cue)
    if why_not:
        state = memory.state
        refused = Transition(settings.name, cue, state, state, command.who, command.why, why_not)
        return memory, refused
    memory, transition = _moved(settings, memory, cue, clock_ns, utc_ns)
    if cue is Cue.SHELVE:
        duration_ns = round(command.duration_s * _NS)
        memory = replace(
            memory,
            shelved_until_ns=utc_ns + duration_ns,
            shelved_until_clock_ns=clock_ns + duration_ns,
        )
    return memory, replace(
        transition or Transition(settings.name, cue, memory.state, memory.state),
        who=command.who,
        why=command.why,
        until_ns=memory.shelved_until_ns if cue is Cue.SHELVE else 0,
    )


def unshelve_in_time(
    settings: Settings, memory: Memory, clock_ns: int, utc_ns: int
) -> tuple[Memory, Transition | None]:
    """The memory after the look whether a shelving has come to its end."""
    if not memory.flags.shelved or (
        clock_ns < memory.shelved_until_clock_ns and utc_ns < memory.shelved_until_ns
    ):
        return memory, None
    memory, transition = _moved(settings, memory, Cue.UNSHELVE, clock_ns, utc_ns)
    return memory, transition and replace(transition, why="time is up")


def suppress(
    settings: Settings, memory: Memory, suppressed: bool, why: str, clock_ns: int, utc_ns: int
) -> tuple[Memory, Transition | None]:
    """The memory after the logic of the site has said whether the alarm is suppressed by design."""
    if suppressed == memory.flags.suppressed:
        return memory, None
    cue = Cue.SUPPRESS if suppressed else Cue.UNSUPPRESS
    memory, transition = _moved(settings, memory, cue, clock_ns, utc_ns)
    return memory, transition and replace(transition, why=why)


def _unfit(settings: Settings, command: Command, cue: Cue) -> str:
    """What an order lacks that keeps an alarm from the operator; "" where nothing is."""
    if cue not in (Cue.SHELVE, Cue.REMOVE):
        return ""
    if not command.who.strip():
        return "say who orders it"
    if not command.why.strip():
        return "say why"
    if cue is Cue.REMOVE:
        return ""
    if settings.shelve_at_most_s <= 0:
        return "this alarm may not be shelved"
    # Written so that what is no number is refused as well.
    if not command.duration_s > 0:
        return f"say for how long, at most {_span(settings.shelve_at_most_s)}"
    if command.duration_s > settings.shelve_at_most_s:
        return f"shelve it for at most {_span(settings.shelve_at_most_s)}"
    return ""


def _span(seconds: float) -> str:
    for size, unit in ((3600, "h"), (60, "min")):
        if seconds >= size:
            return f"{seconds / size:.4g} {unit}"
    return f"{seconds:.4g} s"


def _realarmed(
    settings: Settings, memory: Memory, clock_ns: int, utc_ns: int
) -> tuple[Memory, Transition | None]:
    since_ns = clock_ns - memory.acknowledged_at_ns
    if (
        settings.realarm_after_ns
        and memory.state is AlarmState.ACKNOWLEDGED
        # A chain whose clock was lost counts from zero: then it sounds rather than never again.
        and not 0 <= since_ns < settings.realarm_after_ns
    ):
        return _moved(settings, memory, Cue.REALARM, clock_ns, utc_ns)
    return memory, None


def _moved(
    settings: Settings, memory: Memory, cue: Cue, clock_ns: int, utc_ns: int
) -> tuple[Memory, Transition | None]:
    flags = moved(memory.flags, cue, settings.handling)
    if flags == memory.flags:
        return memory, None
    before, after = memory.flags.state, flags.state
    acknowledged = after is AlarmState.ACKNOWLEDGED
    memory = replace(
        memory,
        flags=flags,
        since_ns=utc_ns if after is not before else memory.since_ns,
        acknowledged_at_ns=clock_ns if acknowledged else 0,
        shelved_until_ns=memory.shelved_until_ns if flags.shelved else 0,
        shelved_until_clock_ns=memory.shelved_until_clock_ns if flags.shelved else 0,
    )
    return memory, Transition(settings.name, cue, before, after)
