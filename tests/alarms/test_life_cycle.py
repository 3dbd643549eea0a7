"""Delays, memory and orders of one alarm."""

from collections.abc import Iterable
from math import inf, nan

import pytest

from gateway.alarms.conditions import Truth, below
from gateway.alarms.life_cycle import Memory, Settings, observe, order, unshelve_in_time
from gateway.alarms.states import Handling
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
        memory, moved = observe(settings, memory, truth, elapsed_ns, t * SECOND, t * SECOND)
        if moved is not None:
            assert t * SECOND == memory.since_ns
            moves.append((t, moved.cue))
    return moves


def test_timeline_with_deadband_and_delays() -> None:
    """The worked timeline is on at 10 s and off at 34 s."""
    settings = Settings("A", 5 * SECOND, 10 * SECOND)
    assert [(10, "occur"), (34, "clear")] == told(settings, 2.0)


def test_timeline_without_deadband_and_delays() -> None:
    """Bare comparison of the same series chatters: on 5, off 8, on 10, off 18."""
    settings = Settings("A", 0, 0)
    assert [(5, "occur"), (8, "clear"), (10, "occur"), (18, "clear")] == told(settings, 0.0)


def run(
    settings: Settings, memory: Memory, truths: Iterable[Truth]
) -> tuple[Memory, list[Transition | None]]:
    moves = []
    for truth in truths:
        memory, moved = observe(settings, memory, truth, SECOND, 0, 7)
        moves.append(moved)
    return memory, moves


def test_a_break_in_the_condition_starts_the_delay_anew() -> None:
    """Only an unbroken condition raises: four seconds, a break, four seconds do not."""
    settings = Settings("A", 5 * SECOND, 0)
    broken = [Truth.TRUE] * 5 + [Truth.FALSE] + [Truth.TRUE] * 5
    memory, moves = run(settings, Memory(), broken)
    assert [None] * 11 == moves
    assert AlarmState.UNACKNOWLEDGED == run(settings, memory, [Truth.TRUE])[0].state


@pytest.mark.parametrize("first", [Truth.TRUE, Truth.FALSE])
def test_unknown_freezes_timers_and_state(first: Truth) -> None:
    """An hour of unknown in the middle of a delay changes nothing but that it is said."""
    settings = Settings("A", 5 * SECOND, 5 * SECOND)
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
    memory, _ = run(Settings("A", 0, 0, Handling(latching=True)), Memory(), [Truth.UNKNOWN] * 3)
    record = memory.record("A")
    assert (AlarmState.NORMAL, False, 0) == (record.state, record.judged, record.since_ns)


def test_orders_are_signed_whether_taken_or_refused() -> None:
    """The journal has who and why of each order, and of a refused one the reason."""
    settings = Settings("A", 0, 0)
    memory, _ = run(settings, Memory(), [Truth.TRUE])
    command = Command(Order.ACKNOWLEDGE, "A", "Ida Holm", "seen on site")
    once, taken = order(settings, memory, command, 0, 99)
    twice, refused = order(settings, once, command, 0, 100)
    assert ("Ida Holm", "seen on site", "") == (taken.who, taken.why, taken.refusal)
    assert (AlarmState.ACKNOWLEDGED, 99) == (once.state, once.since_ns)
    assert ("Ida Holm", "seen on site", once) == (refused.who, refused.why, twice)
    assert refused.refusal
    assert refused.before == refused.after == AlarmState.ACKNOWLEDGED


SHELVABLE = Settings("A", 0, 0, shelve_at_most_s=8 * 3600.0)
NOON_NS = 1_767_960_000 * SECOND


def shelve(
    settings: Settings = SHELVABLE, who: str = "Ida Holm", why: str = "lamp", duration_s: float = 60
) -> tuple[Memory, Transition]:
    command = Command(Order.SHELVE, "A", who, why, duration_s)
    return order(settings, Memory(), command, 500 * SECOND, NOON_NS)


@pytest.mark.parametrize(
    ("who", "why", "duration_s", "told"),
    [
        (" ", "lamp", 60, "say who"),
        ("Ida Holm", " ", 60, "say why"),
        ("Ida Holm", "lamp", 0, "say for how long, at most 8 h"),
        ("Ida Holm", "lamp", -1, "say for how long"),
        ("Ida Holm", "lamp", nan, "say for how long"),
        ("Ida Holm", "lamp", inf, "at most 8 h"),
        ("Ida Holm", "lamp", 8 * 3600 + 1, "at most 8 h"),
        ("Ida Holm", "lamp", 8 * 3600, ""),
    ],
)
def test_shelving_needs_who_why_and_how_long(
    who: str, why: str, duration_s: float, told: str
) -> None:
    """A shelving without a name, a reason or a fitting duration is refused, and says so."""
    memory, entry = shelve(who=who, why=why, duration_s=duration_s)
    assert told in entry.refusal
    assert bool(told) == bool(entry.refusal)
    assert (AlarmState.NORMAL if told else AlarmState.SHELVED) == memory.state == entry.after


def test_an_alarm_that_may_not_be_shelved_is_not() -> None:
    """Where the site allows no shelving, none is taken."""
    memory, entry = shelve(Settings("A", 0, 0))
    assert ("this alarm may not be shelved", Memory()) == (entry.refusal, memory)


def test_removing_needs_who_and_why() -> None:
    """Out of service is under a permit: it needs a name and a reason; the return does not."""
    for who, why, told in (("", "x", "say who orders it"), ("Ida", "", "say why")):
        _, refused = order(SHELVABLE, Memory(), Command(Order.REMOVE, "A", who, why), 0, 1)
        assert told == refused.refusal
    out, taken = order(SHELVABLE, Memory(), Command(Order.REMOVE, "A", "Ida", "permit 7"), 0, 1)
    assert (AlarmState.OUT_OF_SERVICE, "") == (out.state, taken.refusal)
    back, _ = order(SHELVABLE, out, Command(Order.RETURN, "A", ""), 0, 1)
    assert AlarmState.NORMAL == back.state


@pytest.mark.parametrize(
    ("clock_s", "utc_s", "over"),
    [
        (59, 59, False),
        (60, 60, True),
        # A UTC clock that was set back prolongs nothing.
        (60, -3600, True),
        # A restart over which the chain's clock stood still or was lost does not either.
        (5, 60, True),
        (-500, 60, True),
        (-500, 59, False),
    ],
)
def test_shelving_ends_by_itself(clock_s: int, utc_s: int, over: bool) -> None:
    """A shelving ends by the chain's clock or at its UTC end, whichever comes first."""
    memory, began = shelve()
    assert NOON_NS + 60 * SECOND == began.until_ns == memory.record("A").shelved_until_ns
    after, ended = unshelve_in_time(
        SHELVABLE, memory, (500 + clock_s) * SECOND, NOON_NS + utc_s * SECOND
    )
    assert over == (ended is not None)
    if ended is not None:
        assert ("unshelve", "", "time is up") == (ended.cue, ended.who, ended.why)
        assert (AlarmState.NORMAL, 0) == (after.state, after.record("A").shelved_until_ns)
    else:
        assert memory is after


@pytest.mark.parametrize(("quietly", "acknowledged_s"), [(False, 3), (True, 20)])
def test_an_acknowledged_alarm_sounds_again(quietly: bool, acknowledged_s: int) -> None:
    """What stays present after its acknowledgement is annunciated again after the given time."""
    handling = Handling(latching=quietly, latched_comes_acknowledged=quietly)
    settings = Settings("A", 0, 0, handling, realarm_after_ns=30 * SECOND)
    memory, _ = observe(settings, Memory(), Truth.TRUE, SECOND, 1 * SECOND, 1)
    memory, _ = order(settings, memory, Command(Order.ACKNOWLEDGE, "A", "Ida"), 3 * SECOND, 3)
    if quietly:
        memory, _ = observe(settings, memory, Truth.FALSE, SECOND, 10 * SECOND, 10)
        memory, came = observe(settings, memory, Truth.TRUE, SECOND, 20 * SECOND, 20)
        assert came is not None
        assert AlarmState.ACKNOWLEDGED == came.after
    due_ns = (acknowledged_s + 30) * SECOND
    same, moved = observe(settings, memory, Truth.TRUE, SECOND, due_ns - 1, 50)
    assert (None, True) == (moved, same is memory)
    unknown, moved = observe(settings, memory, Truth.UNKNOWN, SECOND, due_ns, 51)
    assert None is moved
    for sound in (memory, unknown):
        again, moved = observe(settings, sound, Truth.TRUE, SECOND, due_ns, 52)
        assert moved is not None
        assert ("realarm", AlarmState.UNACKNOWLEDGED) == (moved.cue, moved.after)
        assert 52 == again.since_ns


def test_a_chain_clock_that_was_lost_silences_no_reminder() -> None:
    """With a chain clock that begins anew, a re-alarm comes at once rather than never."""
    settings = Settings("A", 0, 0, realarm_after_ns=30 * SECOND)
    memory, _ = observe(settings, Memory(), Truth.TRUE, SECOND, 900 * SECOND, 1)
    memory, _ = order(settings, memory, Command(Order.ACKNOWLEDGE, "A", "Ida"), 900 * SECOND, 3)
    _, moved = observe(settings, memory, Truth.TRUE, SECOND, 0, 4)
    assert moved is not None


@pytest.mark.parametrize("truth", list(Truth))
def test_where_nothing_changes_nothing_is_made(truth: Truth) -> None:
    """A look that changes nothing gives the same memory back, so nothing is written for it."""
    settings = Settings("A", 5 * SECOND, 5 * SECOND)
    first, _ = run(settings, Memory(), [truth] * 10)
    second, _ = run(settings, first, [truth])
    assert first is second
