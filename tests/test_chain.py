"""The pure step of one machine: what its devices say becomes Frames, the same ones every time."""

import random
from dataclasses import replace
from math import inf, log10

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.chain import Chain
from gateway.site.alarm import LimitAlarm
from gateway.tags import (
    BAD_COMMUNICATION_ERROR,
    BAD_CONFIGURATION_ERROR,
    BAD_DEVICE_FAILURE,
    BAD_OUT_OF_RANGE,
    BAD_OUT_OF_SERVICE,
    BAD_SENSOR_FAILURE,
    BAD_WAITING_FOR_INITIAL_DATA,
    GOOD,
    UNCERTAIN_LAST_USABLE_VALUE,
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
    AlarmState,
    Command,
    Frame,
    Instant,
    Limit,
    Order,
    Reading,
    Status,
)
from tests.rotor.plant import (
    SITE,
    Rig,
    module,
    monitor,
    record,
    sample,
    silence,
    state,
)

LOW, VERY_LOW, BLIND = "G1.LOW", "G1.VERY_LOW", "G1.BLIND"
NORMAL, UNACKNOWLEDGED = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED


def test_a_fault_becomes_numbers_and_an_alarm() -> None:
    """A 10 kohm fault at 30 % is told in its units and raises after the on-delay, not before."""
    rig = Rig()
    frame = rig.fault(10e3, seconds=5)
    assert 10.0 == pytest.approx(sample(frame, "G1.R").value, rel=1e-4)
    assert 30.0 == pytest.approx(sample(frame, "G1.PLACE").value, abs=1e-3)
    assert rig.utc_ns == sample(frame, "G1.R").time_ns
    # Half of a logarithmic loop of 1 kohm to 10 Mohm: their geometric mean.
    assert 100.0 == pytest.approx(sample(frame, "G1.LOOP").value, rel=1e-6)
    assert (False, GOOD) == (
        sample(frame, "G1.TRIPPED").value,
        sample(frame, "G1.TRIPPED").status,
    )
    assert {NORMAL} == {a.state for a in frame.alarms}
    frame = rig.fault(10e3)
    assert [(LOW, "occur")] == [(t.alarm, t.cue) for t in frame.transitions]
    assert (UNACKNOWLEDGED, rig.utc_ns) == (state(frame, LOW), record(frame, LOW).since_ns)
    assert ("G1", 6, frame) == (frame.machine, frame.sequence, Frame.decode(frame.encode()))


def test_each_tag_comes_once_in_the_order_of_the_site() -> None:
    """A Frame has exactly the tags and alarms of its machine, in the order of the site."""
    frame = Rig().step([])
    assert [t.tag for t in SITE.tags_of("G1")] == [s.tag for s in frame.samples]
    assert [a.name for a in SITE.file.alarms] == [a.alarm for a in frame.alarms]
    assert {BAD_WAITING_FOR_INITIAL_DATA} == {s.status for s in frame.samples}


@given(st.floats(0, 1), st.sampled_from([300.0, -300.0, 120.0, 0.0]))
@settings(max_examples=25)
def test_alarms_mean_the_same_wherever_the_fault_sits(place: float, field_v: float) -> None:
    """Whether and when an alarm comes depends on the resistance alone, not on the place."""
    told = []
    for location_pu, volts in ((0.5, 300.0), (place, field_v)):
        rig = Rig()
        run = (4e3, 8), (10e3, 12), (30e3, 12), (19e3, 7), (inf, 12), (0.0, 7)
        told.append(
            [
                [(t.alarm, t.cue, t.after) for t in frame.transitions]
                for rf_ohm, seconds in run
                for _ in range(seconds)
                for frame in [rig.fault(rf_ohm, location_pu=location_pu, field_v=volts)]
            ]
        )
    assert told[0] == told[1]
    assert [(LOW, "occur", UNACKNOWLEDGED), (VERY_LOW, "occur", UNACKNOWLEDGED)] == told[0][5]


def test_a_healthy_winding_is_surely_not_low() -> None:
    """'At least' many megohms clears the alarm, judged, and stays clear."""
    rig = Rig()
    rig.fault(10e3, seconds=6)
    frame = rig.fault(inf, seconds=11)
    assert Limit.HIGH == sample(frame, "G1.R").status.limit
    assert (AlarmState.RETURNED_UNACKNOWLEDGED, True) == (
        state(frame, LOW),
        record(frame, LOW).judged,
    )


def test_foreign_readings_are_ignored() -> None:
    """Readings of another machine change nothing and are not in the Frame."""
    own, both = Rig(), Rig()
    for rig in (own, both):
        rig.wait(1)
    foreign = monitor(both.now, 1e3, device="mon2", status=255)
    mixed = foreign[:2] + monitor(both.now, 10e3) + foreign[2:]
    assert own.step(monitor(own.now, 10e3)).encode() == both.step(mixed).encode()
    assert own.chain.save() == both.chain.save()
    assert not any(p.startswith("mon2.") for p in own.chain.points)


def acknowledge(alarm: str = LOW) -> Command:
    return Command(Order.ACKNOWLEDGE, alarm, "Ida Holm", "on my way")


def test_orders_are_journaled_taken_or_refused() -> None:
    """Each order comes back signed; a refused one with its reason and without any effect."""
    rig = Rig()
    rig.fault(4e3, seconds=6)
    reset = Command(Order.RESET, VERY_LOW, "Ida Holm", "gone")
    rig.wait(1)
    frame = rig.step([], acknowledge(), acknowledge(), reset)
    told = [(t.alarm, t.cue, t.who, t.why, bool(t.refusal)) for t in frame.transitions]
    assert [
        (LOW, "acknowledge", "Ida Holm", "on my way", False),
        (LOW, "acknowledge", "Ida Holm", "on my way", True),
        (VERY_LOW, "reset", "Ida Holm", "gone", True),
    ] == told
    assert (acknowledge(), acknowledge(), reset) == frame.commands
    assert (AlarmState.ACKNOWLEDGED, UNACKNOWLEDGED) == (state(frame, LOW), state(frame, VERY_LOW))


def test_an_order_is_judged_on_what_was_seen_before_it() -> None:
    """An acknowledgement in the step that raises the alarm does not acknowledge it."""
    rig = Rig()
    rig.fault(10e3, seconds=5)
    rig.wait(1)
    frame = rig.step(monitor(rig.now, 10e3), acknowledge())
    assert UNACKNOWLEDGED == state(frame, LOW)
    assert ["acknowledge", "occur"] == [t.cue for t in frame.transitions]
    assert "nothing to acknowledge" in frame.transitions[0].refusal


def test_a_reading_is_as_old_as_it_is() -> None:
    """A Reading that arrives nine seconds late is old one second later, not ten."""
    rig = Rig()
    late = monitor(rig.wait(1), 30e3)
    rig.wait(9)
    assert GOOD == sample(rig.step(late), "G1.R").status
    rig.wait(1.5)
    assert UNCERTAIN_LAST_USABLE_VALUE == sample(rig.step([]), "G1.R").status


def test_the_deadband_is_a_share_of_the_limit() -> None:
    """An alarm at 20 kohm with 10 % stays at 21.5 kohm and clears at 22.5 kohm."""
    rig = Rig()
    rig.fault(10e3, seconds=6)
    assert UNACKNOWLEDGED == state(rig.fault(21.5e3, seconds=30), LOW)
    assert AlarmState.RETURNED_UNACKNOWLEDGED == state(rig.fault(22.5e3, seconds=11), LOW)


def test_an_alarm_above_a_limit_is_the_mirror_of_one_below() -> None:
    """An alarm above 150 kohm with 10 % comes at 178 kohm, stays at 140 and clears at 130 kohm."""
    alarm = LimitAlarm.model_validate(
        {"kind": "limit", "name": "G1.HIGH", "machine": "G1", "tag": "G1.LOOP"}
        | {"above": "150 kohm", "on_delay": "0 s", "off_delay": "0 s"}
    )
    site = replace(SITE, file=SITE.file.model_copy(update={"alarms": (alarm,)}))
    rig = Rig(Chain(site, "G1"))
    seen = []
    # I = 4 mA + 4 mA * log10(R / 1 kohm) on four decades from 1 kohm.
    for kohm in (100.0, 177.8, 140.0, 130.0):
        loop_ma = 4 + 4 * log10(kohm)
        seen.append(state(rig.step(module(rig.wait(1), loop_ma)), "G1.HIGH"))
    returned = AlarmState.RETURNED_UNACKNOWLEDGED
    assert [NORMAL, UNACKNOWLEDGED, UNACKNOWLEDGED, returned] == seen


@pytest.mark.parametrize(
    ("word", "status"),
    [
        (0b00010, BAD_DEVICE_FAILURE),
        (0b00100, UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE),
        (0b01000, UNCERTAIN_LAST_USABLE_VALUE),
        (0b01110, BAD_DEVICE_FAILURE),
        (0b10000, BAD_OUT_OF_SERVICE),
    ],
)
def test_a_quality_bit_counts_at_once(word: int, status: Status) -> None:
    """A device that distrusts its values is believed: at once, on all it speaks of, both ways."""
    rig = Rig()
    rig.fault(10e3, seconds=7)
    frame = rig.fault(30e3, status=word)
    for tag in ("G1.I_POS", "G1.R", "G1.PLACE"):
        assert status == sample(frame, tag).status
    of_all = GOOD if word == 0b10000 else status
    assert of_all == sample(frame, "G1.U_NEG").status
    assert GOOD == sample(frame, "G1.LOOP").status
    assert False is record(frame, LOW).judged
    assert UNACKNOWLEDGED == state(rig.fault(30e3, seconds=30, status=word), LOW)
    assert GOOD == sample(rig.fault(30e3), "G1.R").status


def test_a_status_word_that_comes_alone_counts_too() -> None:
    """A device failure that is read after the values, or without them, makes them Bad."""
    rig = Rig()
    rig.fault(10e3, seconds=2)
    values = monitor(rig.wait(1), 10e3, status=None)
    late = Reading("mon.status", (2,), GOOD, rig.wait(0.2))
    assert BAD_DEVICE_FAILURE == sample(rig.step([*values, late]), "G1.R").status
    rig.fault(10e3)
    for word, status in ((8, UNCERTAIN_LAST_USABLE_VALUE), (2, BAD_DEVICE_FAILURE)):
        alone = Reading("mon.status", (word,), GOOD, rig.wait(1))
        assert status == sample(rig.step([alone]), "G1.R").status


def test_a_status_word_holds_until_the_next_one() -> None:
    """Values read without a new status word are judged by the last one."""
    rig = Rig()
    rig.fault(10e3, status=2)
    assert BAD_DEVICE_FAILURE == sample(rig.fault(10e3, status=None), "G1.R").status
    assert GOOD == sample(rig.fault(10e3, status=0), "G1.R").status


def test_malfunction_comes_and_goes_with_the_answers() -> None:
    """A silent monitor is said before its values are old; the malfunction goes after answers."""
    rig = Rig()
    frame = rig.fault(30e3, seconds=3)
    seen = {}
    for second in range(1, 75):
        rig.wait(1)
        frame = rig.step(silence(rig.now) + module(rig.now))
        seen[second] = (sample(frame, "G1.R").status, state(frame, BLIND))
    # Two polls and a timeout are 3 s, the alarm's on-delay 5 s; stale_after 10 s, unusable 60 s.
    assert (GOOD, NORMAL) == seen[8]
    assert (GOOD, UNACKNOWLEDGED) == seen[9]
    assert GOOD == seen[10][0]
    assert UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE == seen[11][0]
    assert UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE == seen[60][0]
    assert BAD_COMMUNICATION_ERROR == seen[61][0]
    assert UNACKNOWLEDGED == state(rig.fault(30e3, seconds=10), BLIND)
    assert AlarmState.RETURNED_UNACKNOWLEDGED == state(rig.fault(30e3), BLIND)


def test_one_silent_input_of_four_is_a_malfunction() -> None:
    """What is computed is blind as soon as one of its inputs is."""
    rig = Rig()
    rig.fault(30e3)
    for _ in range(16):
        rig.wait(1)
        said = [r for r in monitor(rig.now, 30e3) if r.point != "mon.current_negative"]
        frame = rig.step(said + module(rig.now))
    assert UNCERTAIN_LAST_USABLE_VALUE == sample(frame, "G1.R").status
    assert UNACKNOWLEDGED == state(frame, BLIND)


def test_a_broken_wire_is_a_malfunction_and_no_fault() -> None:
    """0 mA is a sensor failure after its hold, never a low resistance."""
    rig = Rig()
    rig.fault(30e3, seconds=2)
    for _ in range(12):
        rig.wait(1)
        frame = rig.step(monitor(rig.now, 30e3) + module(rig.now, loop_ma=0.0))
    assert BAD_SENSOR_FAILURE == sample(frame, "G1.LOOP").status.code
    assert (NORMAL, False) == (state(frame, "G1.LOOP_LOW"), record(frame, "G1.LOOP_LOW").judged)
    assert UNACKNOWLEDGED == state(frame, BLIND)


def test_an_open_circuit_speaks() -> None:
    """A normally closed contact that opens raises its alarm at once."""
    rig = Rig()
    rig.fault(30e3)
    rig.wait(1)
    frame = rig.step(monitor(rig.now, 30e3) + module(rig.now, closed=False))
    assert (True, UNACKNOWLEDGED) == (sample(frame, "G1.TRIPPED").value, state(frame, "G1.TRIP"))


def test_a_computed_tag_that_is_bad_is_blind() -> None:
    """An impossible place, and a negative conductance, raise the malfunction of their tags."""
    rig = Rig()
    frame = rig.fault(10e3, location_pu=1.4)
    assert BAD_OUT_OF_RANGE == sample(frame, "G1.PLACE").status
    assert UNACKNOWLEDGED == state(frame, "G1.NO_PLACE")
    frame = rig.fault(-60e3, location_pu=0.5, seconds=6)
    assert BAD_CONFIGURATION_ERROR == sample(frame, "G1.R").status
    assert UNACKNOWLEDGED == state(frame, BLIND)


EVENTS = st.tuples(
    st.sampled_from([0.0, 0.5, 1.0, 3.0, 11.0, 70.0]),  # seconds to the step
    st.sampled_from([None, -1.0, 0.0, 4e3, 15e3, 30e3, inf]),  # ohm; None: not read, -1: silent
    st.sampled_from([None, 0, 0, 0, 2, 4, 8]),  # status word
    st.sampled_from([None, 0.0, 3.7, 5.0, 12.0, 22.0]),  # loop current, mA
    st.booleans(),  # contact closed
    st.lists(
        st.builds(
            Command,
            st.sampled_from(list(Order)),
            st.sampled_from([LOW, VERY_LOW, "G1.TRIP", BLIND]),
            st.just("Ida Holm"),
        ),
        max_size=2,
    ),
)


def day(
    events: list[tuple[float, float | None, int | None, float | None, bool, list[Command]]],
) -> list[tuple[list[Reading], Instant, list[Command]]]:
    rig, steps = Rig(), []
    for seconds, rf_ohm, word, loop_ma, closed, commands in events:
        at = rig.wait(seconds)
        readings = [] if loop_ma is None else module(at, loop_ma, closed)
        if rf_ohm is not None:
            said = monitor(at, rf_ohm, status=word)
            readings += silence(at) if rf_ohm < 0 else said
            readings += monitor(at, 1e3, device="mon2")[:1]
        steps.append((readings, rig.wait(0.1), commands))
    return steps


@given(st.lists(EVENTS, max_size=25), st.randoms(use_true_random=False))
def test_a_recorded_day_replays_byte_for_byte(
    events: list[tuple[float, float | None, int | None, float | None, bool, list[Command]]],
    chance: random.Random,
) -> None:
    """Replayed, with restarts anywhere and Readings in any order, every Frame is the same bytes."""
    steps = day(events)
    first, again = Chain(SITE, "G1"), Chain(SITE, "G1")
    for number, (readings, now, commands) in enumerate(steps):
        mixed = chance.sample(readings, len(readings))
        if chance.random() < 0.5:
            again = Chain.resumed(SITE, "G1", again.save(), number)
        frame = first.step(readings, now, commands)
        assert frame.encode() == again.step(mixed, now, commands).encode()
        assert first.save() == again.save()
        assert frame == Frame.decode(frame.encode())
