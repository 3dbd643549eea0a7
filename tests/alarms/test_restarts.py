"""What the chain remembers: restarts, reboots, clocks that are set, and damaged states."""

import json

import pytest

from gateway.chain import Chain, StateError
from gateway.tags import GOOD, AlarmState, Command, Order
from tests.rotor.plant import NOON_NS, SECOND, SITE, Rig, record, sample, state

LOW, VERY_LOW, BLIND = "G1.LOW", "G1.VERY_LOW", "G1.BLIND"
NORMAL, UNACKNOWLEDGED = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED


def test_a_latch_and_a_running_delay_survive_a_restart() -> None:
    """Over save and load a latched alarm stays latched and a delay runs on where it was."""
    rig = Rig()
    rig.fault(4e3, seconds=6)
    rig.fault(30e3, seconds=11)
    rig.fault(15e3, seconds=3)
    rig.restart()
    frame = rig.fault(15e3, seconds=2)
    assert AlarmState.LATCHED_UNACKNOWLEDGED == state(frame, VERY_LOW)
    assert AlarmState.RETURNED_UNACKNOWLEDGED == state(frame, LOW)
    frame = rig.fault(15e3)
    assert UNACKNOWLEDGED == state(frame, LOW)
    rig.restart()
    frame = rig.step([], *(Command(order, VERY_LOW, "Ida Holm") for order in Order))
    assert NORMAL == state(frame, VERY_LOW)


@pytest.mark.parametrize("off_s", [0.0, 4.0, 8.0, 600.0, -600.0])
@pytest.mark.parametrize(
    "run",
    # An on-delay that runs, an off-delay that runs, an alarm that stands.
    [((10e3, 4),), ((10e3, 10), (30e3, 5)), ((10e3, 10),)],
)
def test_a_reboot_by_itself_raises_and_clears_nothing(
    off_s: float, run: tuple[tuple[float, int], ...]
) -> None:
    """A step after a reboot in which nothing was read yet moves no delay, however long it took."""
    rig = Rig()
    for rf_ohm, seconds in run:
        before = rig.fault(rf_ohm, seconds)
    rig.reboot(off_s)
    frame = rig.step([])
    # A malfunction without a delay says at once that there are no values.
    assert {"G1.NO_PLACE"} >= {t.alarm for t in frame.transitions}
    for alarm in (LOW, VERY_LOW, BLIND):
        assert state(before, alarm) == state(frame, alarm)
    assert before.sequence + 1 == frame.sequence


def test_after_a_long_reboot_old_values_are_old() -> None:
    """Ten minutes off make every value unusable, and no limit alarm is judged by it."""
    rig = Rig()
    rig.fault(10e3, seconds=10)
    rig.reboot(600)
    frame = rig.step([])
    assert {True} == {s.status.is_bad for s in frame.samples}
    assert (UNACKNOWLEDGED, False) == (state(frame, LOW), record(frame, LOW).judged)


def test_after_a_short_reboot_values_are_as_old_as_it_was_long() -> None:
    """A few seconds off leave a value usable; it is no older than the time that has passed."""
    rig = Rig()
    before = sample(rig.fault(10e3, seconds=10), "G1.R")
    rig.reboot(3)
    after = sample(rig.step([]), "G1.R")
    assert (before.value, before.status) == (after.value, after.status)


def test_a_clock_that_reads_earlier_after_a_reboot_keeps_nothing_young() -> None:
    """With a UTC clock that lost ten minutes, old values still grow old."""
    rig = Rig()
    rig.fault(10e3, seconds=10)
    rig.reboot(-600)
    rig.step([])
    rig.wait(61)
    assert sample(rig.step([]), "G1.R").status.is_bad


def test_the_time_of_day_ages_no_value() -> None:
    """A UTC clock that is set forward an hour makes no value old."""
    rig = Rig()
    rig.fault(10e3)
    rig.utc_ns += 3600 * SECOND
    rig.wait(1)
    assert GOOD == sample(rig.step([]), "G1.R").status


def test_the_time_of_day_moves_no_delay() -> None:
    """A UTC clock that is set back or forward an hour neither hurries nor holds an alarm."""
    rig = Rig()
    rig.fault(10e3, seconds=3)
    rig.utc_ns += 3600 * SECOND
    assert NORMAL == state(rig.fault(10e3, seconds=1), LOW)
    rig.utc_ns -= 7200 * SECOND
    assert NORMAL == state(rig.fault(10e3, seconds=1), LOW)
    assert UNACKNOWLEDGED == state(rig.fault(10e3, seconds=1), LOW)


def saved() -> bytes:
    rig = Rig()
    rig.fault(4e3, seconds=7)
    return rig.chain.save()


@pytest.mark.parametrize(
    "broken",
    [
        b"",
        b"null",
        b"[]",
        b"{}",
        b"\xff\xfe",
        b"[" * 100_000,
        saved()[:-1],
        saved() + saved(),
        saved().replace(b'"alarms"', b'"alarmz"'),
        saved().replace(b'"state":"una', b'"stale":"una'),
        saved().replace(b'"unacknowledged"', b'"unacknowledge"'),
        saved().replace(b'"sequence":7', b'"sequence":"7"'),
        saved().replace(b'"sequence":7', b'"sequence":NaN'),
    ],
    ids=lambda b: repr(b[-20:]),
)
def test_a_damaged_state_is_refused(broken: bytes) -> None:
    """What was not written by `save` is refused in words, never half believed."""
    with pytest.raises(StateError, match="G1: the saved state"):
        Chain.resumed(SITE, "G1", broken)


def test_a_saved_state_is_canonical() -> None:
    """A state loads to the same bytes, and is plain JSON."""
    state_bytes = saved()
    assert state_bytes == Chain.resumed(SITE, "G1", state_bytes).save()
    assert NOON_NS + 7 * SECOND == json.loads(state_bytes)["last"]["utc_ns"]
