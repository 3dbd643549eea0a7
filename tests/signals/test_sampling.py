"""From Readings to Samples over time: what is good, old, frozen, lost, and when it is blind."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.tags import (
    BAD_COMMUNICATION_ERROR,
    BAD_CONFIGURATION_ERROR,
    BAD_DEVICE_FAILURE,
    BAD_NO_COMMUNICATION,
    BAD_OUT_OF_SERVICE,
    BAD_SENSOR_FAILURE,
    BAD_TIMEOUT,
    BAD_WAITING_FOR_INITIAL_DATA,
    GOOD,
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
    UNCERTAIN_LAST_USABLE_VALUE,
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
    Limit,
)
from tests.signals.loops import NOON_NS, Line, contact, loop, point, register

TIMES = {"stale_after": "10 s", "unusable_after": "60 s"}
KOHM = point(unit="kohm")
DEAD, OPEN, HALF = 0, 2000, 12000  # microampere


def monitor(**more):
    return Line(register(**TIMES, **more), KOHM)


def seen(observation):
    """Value, status and blindness: what people get to know."""
    return observation.sample.value, observation.sample.status, observation.blind


def test_good_reading_is_a_good_sample():
    """A register in range is a good sample of its own time, and nothing is blind."""
    line = monitor()
    assert (42.0, GOOD, False) == seen(line.take(5, 42))
    assert NOON_NS + 5_000_000_000 == line.show(7).sample.time_ns


def test_unit_of_the_profile_becomes_the_unit_of_the_tag():
    """What the device says in ohm is shown in the tag's kohm, its uncertainty as well."""
    line = Line(register(accuracy="1 kohm", accuracy_of_reading="0 %"), point(unit="ohm"))
    sample = line.take(0, 42000).sample
    assert 42.0 == pytest.approx(sample.value)
    # A largest permissible error of 1 kohm is rectangular (GUM 4.3.7), 1 ohm of resolution is not
    # seen beside it.
    assert 1 / 3**0.5 == pytest.approx(sample.uncertainty, rel=1e-6)


def test_nothing_read_yet():
    """Before the first answer there is no value, and the reason is why none came."""
    line = monitor()
    assert (None, BAD_WAITING_FOR_INITIAL_DATA, True) == seen(line.show(0))
    for second, status in enumerate((BAD_TIMEOUT, BAD_NO_COMMUNICATION, BAD_CONFIGURATION_ERROR)):
        assert (None, status, True) == seen(line.miss(second, status))


def test_missed_poll_changes_nothing_before_it_is_stale():
    """One lost poll, or ten, leave value, status, time and uncertainty until `stale_after`."""
    line = monitor(accuracy_of_reading="5 %")
    good = line.take(0, 42)
    for second in range(1, 11):
        assert good == line.miss(second)
    assert (42.0, UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE, True) == seen(line.show(10.1))


def test_lost_link_is_stale_then_unusable():
    """A dead link is said at `stale_after`, and takes the value away at `unusable_after`."""
    line = monitor()
    line.take(0, 42)
    line.miss(1)
    stale = UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE
    assert (42.0, stale, True) == seen(line.show(60))
    assert (None, BAD_COMMUNICATION_ERROR, True) == seen(line.show(60.1))
    assert NOON_NS == line.show(60.1).sample.time_ns
    assert (43.0, GOOD, False) == seen(line.take(70, 43))


def test_nobody_polls_any_more():
    """Where neither answers nor failures come, the value grows old all the same."""
    line = monitor()
    line.take(0, 42)
    assert (42.0, UNCERTAIN_LAST_USABLE_VALUE, True) == seen(line.show(10.1))
    assert (None, BAD_DEVICE_FAILURE, True) == seen(line.show(60.1))


def test_frozen_value_is_old():
    """Registers that stand still for longer than nature lets them are the last usable value."""
    line = monitor(frozen_after="6 s")
    for second in range(7):
        assert (42.0, GOOD, False) == seen(line.take(second, 42))
    frozen = line.take(7, 42)
    assert (42.0, UNCERTAIN_LAST_USABLE_VALUE, True) == seen(frozen)
    assert NOON_NS == frozen.sample.time_ns
    for second in range(8, 61):
        line.take(second, 42)
    assert (None, BAD_DEVICE_FAILURE, True) == seen(line.take(61, 42))
    assert (43.0, GOOD, False) == seen(line.take(62, 43))


def test_unanswered_polls_freeze_nothing():
    """Frozen is said of answers only; a gap in the answers is no standing still."""
    line = monitor(frozen_after="6 s")
    line.take(0, 42)
    line.miss(7)
    assert (42.0, GOOD, False) == seen(line.show(8))
    line.miss(30)
    for second in range(31, 38):
        assert (42.0, GOOD, False) == seen(line.take(second, 42))
    assert line.take(38, 42).blind


def test_values_may_stand_still_unless_told():
    """Without `frozen_after` a value may stand still for ever."""
    line = monitor()
    for second in range(0, 1000, 5):
        assert (42.0, GOOD, False) == seen(line.take(second, 42))


def test_contact_may_stand_still():
    """A contact at rest is no frozen value."""
    line = Line(contact(**TIMES), point(type="bool", function=2))
    for second in range(0, 1000, 5):
        assert (False, GOOD, False) == seen(line.take(second, 1))


# OPC 30142 tables 13 to 15: what a device says of itself, and its StatusCode.
@pytest.mark.parametrize("said", [BAD_DEVICE_FAILURE, BAD_OUT_OF_SERVICE])
def test_device_calls_its_value_bad(said):
    """What a device says against its value counts at once, whatever the registers hold."""
    line = monitor()
    line.take(0, 42)
    assert (None, said, True) == seen(line.take(1, 43, quality=said))
    assert (None, said, True) == seen(line.miss(2))
    assert (44.0, GOOD, False) == seen(line.take(3, 44))


def test_device_holds_its_value():
    """A value that the device holds is shown as held, and is blind only when it is stale."""
    line = monitor()
    line.take(0, 42)
    held = UNCERTAIN_LAST_USABLE_VALUE
    for second in range(1, 11):
        assert (42.0, held, False) == seen(line.take(second, 42, quality=held))
    assert (42.0, held, True) == seen(line.take(11, 42, quality=held))
    assert (None, BAD_DEVICE_FAILURE, True) == seen(line.take(61, 42, quality=held))


def test_device_lost_its_rotor_side():
    """A device without its own telemetry is blind at once, though it answers."""
    line = monitor()
    line.take(0, 42)
    lost = UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE
    assert (42.0, lost, True) == seen(line.take(1, 43, quality=lost))


def test_held_value_is_not_measured_anew():
    """Under a bad word of the device the registers do not become the last usable value."""
    line = monitor()
    line.take(0, 42)
    line.take(1, 99, quality=BAD_DEVICE_FAILURE)
    assert 42.0 == line.take(2, 99, quality=UNCERTAIN_LAST_USABLE_VALUE).sample.value


@pytest.mark.parametrize(("number", "limit"), [(-1, Limit.LOW), (101, Limit.HIGH)])
def test_out_of_range_register(number, limit):
    """A register beyond the tag's range is a value still, uncertain, on its side."""
    line = Line(register(**TIMES), point(type="int16", unit="kohm"))
    exceeded = UNCERTAIN_ENGINEERING_UNITS_EXCEEDED.with_limit(limit)
    assert (float(number), exceeded, False) == seen(line.take(0, number & 0xFFFF))


@pytest.mark.parametrize("number", [0, 100])
def test_register_at_the_end_of_its_range_is_good(number):
    """The ends of the tag's range belong to it."""
    line = Line(register(**TIMES), point(type="int16", unit="kohm"))
    assert (float(number), GOOD, False) == seen(line.take(0, number))


def test_saturated_register_says_at_least():
    """From its saturation on a monitor says 'at least', which is good and has the limit bit."""
    line = monitor(saturates_at="90 kohm")
    assert (89.0, GOOD, False) == seen(line.take(0, 89))
    assert (90.0, GOOD.with_limit(Limit.HIGH), False) == seen(line.take(1, 90))


def wire():
    return Line(loop(**TIMES))


def test_wire_break_is_believed_after_its_hold():
    """A dead loop is doubted at once, and bad with its limit when the hold is over."""
    line = wire()
    assert (50.0, GOOD, False) == seen(line.take(0, HALF))
    for second in range(1, 5):
        assert (50.0, UNCERTAIN_LAST_USABLE_VALUE, False) == seen(line.take(second, DEAD))
    broken = BAD_SENSOR_FAILURE.with_limit(Limit.LOW)
    assert (None, broken, True) == seen(line.take(5, DEAD))
    assert (None, broken, True) == seen(line.take(6, HALF))
    assert (None, broken, True) == seen(line.take(7, HALF))
    assert (50.0, GOOD, False) == seen(line.take(8, HALF))


def test_wire_break_then_lost_poll_stays_bad():
    """A lost poll does not make a broken wire usable again, now or ever."""
    line = wire()
    line.take(0, HALF)
    for second in range(1, 7):
        line.take(second, OPEN)
    broken = BAD_SENSOR_FAILURE.with_limit(Limit.LOW)
    for second in (7, 20, 61, 1000):
        assert (None, broken, True) == seen(line.miss(second))


def test_wire_broken_from_the_start():
    """A loop that was never alive is bad at once."""
    assert (None, BAD_SENSOR_FAILURE.with_limit(Limit.LOW), True) == seen(wire().take(0, DEAD))
    assert (None, BAD_SENSOR_FAILURE.with_limit(Limit.HIGH), True) == seen(wire().take(0, 22000))


def test_loop_in_a_gap_is_doubted_then_lost():
    """Between measurement and failure the last value is shown as old until it is unusable."""
    line = wire()
    line.take(0, HALF)
    for second in range(1, 11):
        assert (50.0, UNCERTAIN_LAST_USABLE_VALUE, False) == seen(line.take(second, 3700))
    assert (50.0, UNCERTAIN_LAST_USABLE_VALUE, True) == seen(line.take(11, 3700))
    assert (None, BAD_DEVICE_FAILURE, True) == seen(line.take(61, 3700))


def test_filter_forgets_at_a_broken_wire():
    """After a failure the lag starts from the new value, not from the one before."""
    line = Line(loop(**TIMES, filter={"time_constant": "60 s"}))
    line.take(0, 4000)
    for second in range(1, 7):
        line.take(second, DEAD)
    for second in range(7, 10):
        back = line.take(second, 20000)
    assert (100.0, GOOD, False) == seen(back)


def test_filter_lags_over_missed_polls():
    """The lag goes by time, so that a missed poll does not slow it down."""
    line = Line(loop(**TIMES, filter={"time_constant": "2 s"}))
    line.take(0, 4000)
    line.miss(1)
    # 1 - exp(-t/T) of a first-order lag after one time constant
    assert 63.2121 == pytest.approx(line.take(2, 20000).sample.value, abs=1e-3)


def test_order_of_troubles_leaves_the_reason_of_the_newest_answer():
    """What the newest answer said stands until the next answer."""
    line = Line(register(**TIMES), point(type="float32", unit="kohm"))
    line.take(0, 0x4228, 0)
    assert (None, BAD_SENSOR_FAILURE, True) == seen(line.take(1, 0x7FC0, 0))
    assert (None, BAD_SENSOR_FAILURE, True) == seen(line.miss(2))
    assert (42.0, GOOD, False) == seen(line.take(3, 0x4228, 0))


events = st.lists(
    st.tuples(
        st.floats(0.1, 30),
        st.sampled_from(
            [
                "miss",
                DEAD,
                OPEN,
                3700,
                HALF,
                20300,
                BAD_DEVICE_FAILURE,
                UNCERTAIN_LAST_USABLE_VALUE,
            ]
        ),
    ),
    min_size=1,
    max_size=30,
)


@given(events, st.floats(0, 100))
def test_nothing_old_is_ever_good(history, later_s):
    """Whatever happened, a good sample is young, and a bad or stale one is blind."""
    line, second, measured_at_s = wire(), 0.0, None
    for pause_s, event in history:
        second += pause_s
        if event == "miss":
            line.miss(second)
        elif event in (BAD_DEVICE_FAILURE, UNCERTAIN_LAST_USABLE_VALUE):
            line.take(second, HALF, quality=event)
        else:
            line.take(second, event)
            if event in (HALF, 20300):
                measured_at_s = second
    now_s = second + later_s
    sample, blind = line.show(now_s).sample, line.show(now_s).blind
    assert sample.value is None or isinstance(sample.value, float)
    assert blind or not sample.status.is_bad
    if sample.status.is_good:
        assert measured_at_s is not None
        assert now_s - measured_at_s <= 10 + 1e-6
        assert sample.time_ns == NOON_NS + round(measured_at_s * 1e9)
    if measured_at_s is None or now_s - measured_at_s > 60 + 1e-6:
        assert sample.status.is_bad
    if not blind:
        assert measured_at_s is not None
        assert now_s - measured_at_s <= 10 + 1e-6
