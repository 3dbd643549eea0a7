"""Delays, memory and orders of one alarm."""

from collections.abc import Iterable

import pytest
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from gateway.alarms.conditions import Truth, below
from gateway.alarms.life_cycle import Memory, Settings, observe, order
from gateway.tags import GOOD, AlarmState, Command, Order, Sample, Transition

SECOND = 1_000_000_000
# A timeline worked apart from this code: seconds times kilohms, first sample at t = 0.
TIMELINE = ((5, 30), (3, 19), (2, 21), (8, 19), (6, 21), (4, 23), (2, 21.5), (12, 23))


def told(settings: Settings, deadband: float) -> list[tuple[int, str]]:
    memory, moves = Memory(), []
    values = [kohm for seconds, kohm in TIMELINE for _ in range(seconds)]
    for t, kohm in enumerate(values):
        truth = below(Sample("R", kohm, GOOD, 0), 20.0, deadband)
        elapsed_ns = SECOND if t else 0
        memory, moved = observe(settings, memory, truth, elapsed_ns, t * SECOND)
        if moved is not None:
            assert t * SECOND == memory.since_ns
            moves.append((t, moved.cue))
    return moves


def test_timeline_with_deadband_and_delays() -> None:
    """The worked timeline is on at 10 s and off at 34 s."""
    settings = Settings("A", 5 * SECOND, 10 * SECOND, latching=False)
    assert [(10, "occur"), (34, "clear")] == told(settings, 2.0)


def test_timeline_without_deadband_and_delays() -> None:
    """Bare comparison of the same series chatters: on 5, off 8, on 10, off 18."""
    settings = Settings("A", 0, 0, latching=False)
    assert [(5, "occur"), (8, "clear"), (10, "occur"), (18, "clear")] == told(settings, 0.0)


def run(
    settings: Settings, memory: Memory, truths: Iterable[Truth]
) -> tuple[Memory, list[Transition | None]]:
    moves = []
    for truth in truths:
        memory, moved = observe(settings, memory, truth, SECOND, 7)
        moves.append(moved)
    return memory, moves


def test_a_break_in_the_condition_starts_the_delay_anew() -> None:
    """Only an unbroken condition raises: four seconds, a break, four seconds do not."""
    settings = Settings("A", 5 * SECOND, 0, latching=False)
    broken = [Truth.TRUE] * 5 + [Truth.FALSE] + [Truth.TRUE] * 5
    memory, moves = run(settings, Memory(), broken)
    assert [None] * 11 == moves
    assert AlarmState.UNACKNOWLEDGED == run(settings, memory, [Truth.TRUE])[0].state


@pytest.mark.parametrize("first", [Truth.TRUE, Truth.FALSE])
def test_unknown_freezes_timers_and_state(first: Truth) -> None:
    """An hour of unknown in the middle of a delay changes nothing but that it is said."""
    settings = Settings("A", 5 * SECOND, 5 * SECOND, latching=False)
    memory, _ = run(settings, Memory(), [Truth.TRUE] * 6)
    if first is Truth.TRUE:
        memory = Memory()
    before, _ = run(settings, memory, [first] * 4)
    during, moves = run(settings, before, [Truth.UNKNOWN] * 3600)
    assert [None] * 3600 == moves
    assert (False, True) == (during.record("A").judged, before.record("A").judged)
    assert (before.state, before.pending_ns, before.condition) == (
        during.state,
        during.pending_ns,
        during.condition,
    )
    assert [None, first] == [
        None if m is None else Truth.TRUE if m.cue == "occur" else Truth.FALSE
        for m in run(settings, during, [first] * 2)[1]
    ]


def test_unknown_from_the_start_is_no_alarm_and_no_judgement() -> None:
    """An alarm that was never judged is normal and says that it is not judged."""
    memory, _ = run(Settings("A", 0, 0, latching=True), Memory(), [Truth.UNKNOWN] * 3)
    record = memory.record("A")
    assert (AlarmState.NORMAL, False, 0) == (record.state, record.judged, record.since_ns)


def test_orders_are_signed_whether_taken_or_refused() -> None:
    """The journal has who and why of each order, and of a refused one the reason."""
    settings = Settings("A", 0, 0, latching=False)
    memory, _ = run(settings, Memory(), [Truth.TRUE])
    command = Command(Order.ACKNOWLEDGE, "A", "Ida Holm", "seen on site")
    once, taken = order(settings, memory, command, 99)
    twice, refused = order(settings, once, command, 100)
    assert ("Ida Holm", "seen on site", "") == (taken.who, taken.why, taken.refusal)
    assert (AlarmState.ACKNOWLEDGED, 99) == (once.state, once.since_ns)
    assert ("Ida Holm", "seen on site", once) == (refused.who, refused.why, twice)
    assert refused.refusal
    assert refused.before == refused.after == AlarmState.ACKNOWLEDGED


class TwoMemories(RuleBasedStateMachine):
    """The standard in its own words: an alarm is active or not, acknowledged or not.

    It becomes active, and unacknowledged, when its condition has lasted for the on-delay; it stops
    when the condition has been gone for the off-delay, unless it latches: then it stays until it
    is reset, which needs it acknowledged and its condition gone.
    """

    @initialize(latching=st.booleans(), on_s=st.integers(0, 4), off_s=st.integers(0, 4))
    def install(self, latching: bool, on_s: int, off_s: int) -> None:
        self.settings = Settings("A", on_s * SECOND, off_s * SECOND, latching)
        self.memory = Memory()
        self.active = self.present = self.comparator = False
        self.acknowledged = True
        self.opposed_s: int | None = None
        self.known = False

    @rule(truth=st.sampled_from(list(Truth)), seconds=st.integers(0, 5))
    def look(self, truth: Truth, seconds: int) -> None:
        before = self.memory.state
        self.memory, moved = observe(self.settings, self.memory, truth, seconds * SECOND, 1)
        assert (before != self.memory.state) == (moved is not None)
        self.known = truth is not Truth.UNKNOWN
        if truth in (Truth.TRUE, Truth.FALSE):
            self.comparator = truth is Truth.TRUE
        if not self.known:
            return
        if self.comparator == self.present:
            self.opposed_s = None
            return
        self.opposed_s = 0 if self.opposed_s is None else self.opposed_s + seconds
        on_delay_ns, off_delay_ns = self.settings.on_delay_ns, self.settings.off_delay_ns
        if self.opposed_s * SECOND < (on_delay_ns if self.comparator else off_delay_ns):
            return
        self.present, self.opposed_s = self.comparator, None
        if self.present:
            self.active, self.acknowledged = True, False
        elif not self.settings.latching:
            self.active = False

    @rule()
    def acknowledge(self) -> None:
        refused = self.give(Order.ACKNOWLEDGE)
        assert self.acknowledged == refused
        self.acknowledged = True

    @rule()
    def reset(self) -> None:
        refused = self.give(Order.RESET)
        resettable = self.active and self.acknowledged and not self.present
        assert resettable != refused
        if resettable:
            self.active = False

    def give(self, what: Order) -> bool:
        self.memory, entry = order(self.settings, self.memory, Command(what, "A", "Ida"), 1)
        assert (entry.before == entry.after) == bool(entry.refusal)
        return bool(entry.refusal)

    @invariant()
    def both_memories_agree(self) -> None:
        record = self.memory.record("A")
        assert (self.active, self.acknowledged, self.known) == (
            record.active,
            record.acknowledged,
            record.judged,
        )
        assert (self.active and not self.present) == record.state.startswith("latched")


TestTwoMemories = TwoMemories.TestCase
TestTwoMemories.settings = hypothesis_settings(max_examples=150, stateful_step_count=40)
