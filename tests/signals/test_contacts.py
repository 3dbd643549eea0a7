"""Contacts: closed-circuit principle and bounce."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.signals.contacts import ContactState, judge
from gateway.tags import GOOD
from tests.signals.loops import Line, contact, point

MS = 1_000_000


# Closed-circuit principle: a normally closed contact opens to speak (common practice).
@pytest.mark.parametrize(
    ("wired", "closed", "actuated"),
    [
        ("normally closed", True, False),
        ("normally closed", False, True),
        ("normally open", True, True),
        ("normally open", False, False),
    ],
)
def test_what_a_circuit_says(wired, closed, actuated):
    """A normally closed circuit speaks when it opens, a normally open one when it closes."""
    signal = contact(wired=wired)
    sample = Line(signal, point(type="bool", function=2)).take(0, int(closed)).sample
    assert (actuated, GOOD) == (sample.value, sample.status)


def test_broken_wire_of_a_normally_closed_contact_speaks():
    """The wire that breaks reads like the alarm, never like its absence."""
    line = Line(contact(), point(type="bool", function=2))
    line.take(0, 1)
    line.take(0.1, 0)
    assert line.take(0.2, 0).sample.value is True


def test_contact_in_a_status_word():
    """A contact may be a bit of a register."""
    line = Line(contact(wired="normally open"), point(bit=3))
    assert line.take(0, 0b1000).sample.value is True
    assert Line(contact(wired="normally open"), point(bit=2)).take(0, 8).sample.value is False


def run(looks, step_ms, debounce):
    """What is believed after each look at the circuit (1 closed), one every `step_ms`."""
    state, believed = ContactState(), []
    for closed in looks:
        state = judge(state, bool(closed), step_ms * MS, contact(debounce=debounce))
        believed.append(int(state.actuated))
    return believed


def test_bounce_is_not_believed():
    """A circuit that bounces is believed when it has rested for the debounce time."""
    assert [0, 0, 0, 0, 0, 0, 0, 1] == run([1, 0, 1, 0, 1, 0, 0, 0], 50, "100 ms")


def test_release_is_debounced_too():
    """The way back takes the debounce time as well."""
    assert [1, 1, 1, 0] == run([0, 1, 1, 1], 50, "100 ms")


def test_no_debounce_believes_at_once():
    """A debounce of nothing follows the circuit."""
    assert [0, 1, 0, 1] == run([1, 0, 1, 0], 50, "0 s")


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 300)), min_size=1, max_size=40))
def test_believed_state_rested_for_the_debounce_time(looks):
    """A change is believed only if the circuit contradicted without a break for 100 ms."""
    settings, state, against_ms = contact(debounce="100 ms"), ContactState(), None
    for closed, elapsed_ms in looks:
        before, state = state, judge(state, closed, elapsed_ms * MS, settings)
        if before.actuated is None:
            assert (not closed) == state.actuated
            continue
        if (not closed) == before.actuated:
            against_ms = None
        else:
            against_ms = 0 if against_ms is None else against_ms + elapsed_ms
        believed = against_ms is not None and against_ms >= 100
        assert (before.actuated != believed) == state.actuated
        against_ms = None if believed else against_ms
