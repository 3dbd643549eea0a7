"""NAMUR NE 43: the class of a current, and how long a class must last to be believed."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.signals.current_loop import FAILURES, GAPS, Band, LoopState, band, judge
from gateway.site.model import Ne43

NE43 = Ne43()
ORDER = list(Band)
currents = st.floats(-0.025, 0.025)


# NAMUR NE 43:2003: 3.8 to 20.5 mA is measurement, <= 3.6 mA and >= 21.0 mA is failure information.
@pytest.mark.parametrize(
    ("current_ma", "expected"),
    [
        (-5.0, Band.FAILURE_LOW),
        (0.0, Band.FAILURE_LOW),
        (3.59, Band.FAILURE_LOW),
        (3.6, Band.FAILURE_LOW),
        (3.61, Band.GAP_LOW),
        (3.7, Band.GAP_LOW),
        (3.8, Band.UNDER_RANGE),
        (3.99, Band.UNDER_RANGE),
        (4.0, Band.NOMINAL),
        (12.0, Band.NOMINAL),
        (20.0, Band.NOMINAL),
        (20.01, Band.OVER_RANGE),
        (20.5, Band.OVER_RANGE),
        (20.51, Band.GAP_HIGH),
        (20.99, Band.GAP_HIGH),
        (21.0, Band.FAILURE_HIGH),
        (23.5, Band.FAILURE_HIGH),
    ],
)
def test_bands_of_the_recommendation(current_ma, expected):
    """A current is in the band that NE 43 puts it in, the limits included."""
    assert expected == band(current_ma / 1000, NE43)


@pytest.mark.parametrize(
    ("previous", "current_ma", "expected"),
    [
        (Band.NOMINAL, 3.99, Band.NOMINAL),
        (Band.NOMINAL, 3.97, Band.UNDER_RANGE),
        (Band.UNDER_RANGE, 4.01, Band.UNDER_RANGE),
        (Band.UNDER_RANGE, 4.03, Band.NOMINAL),
        (Band.NOMINAL, 20.01, Band.NOMINAL),
        (Band.NOMINAL, 20.03, Band.OVER_RANGE),
        (Band.OVER_RANGE, 19.99, Band.OVER_RANGE),
        (Band.FAILURE_LOW, 3.61, Band.FAILURE_LOW),
        (Band.FAILURE_LOW, 3.63, Band.GAP_LOW),
        (Band.FAILURE_HIGH, 20.99, Band.FAILURE_HIGH),
        (Band.FAILURE_HIGH, 20.97, Band.GAP_HIGH),
        (Band.GAP_LOW, 3.81, Band.GAP_LOW),
        (Band.GAP_LOW, 3.6, Band.FAILURE_LOW),  # no hysteresis into failure
        (Band.GAP_HIGH, 21.0, Band.FAILURE_HIGH),
        (Band.NOMINAL, 3.6, Band.FAILURE_LOW),
        (Band.FAILURE_LOW, 12.0, Band.NOMINAL),
        (Band.FAILURE_HIGH, 3.5, Band.FAILURE_LOW),
    ],
)
def test_hysteresis_of_20_microampere(previous, current_ma, expected):
    """A band is left by more than the hysteresis only; failure is entered at its very limit."""
    assert expected == band(current_ma / 1000, NE43, previous)


@pytest.mark.parametrize(
    ("current_ma", "expected"),
    [
        (3.795, Band.UNDER_RANGE),
        (3.775, Band.GAP_LOW),
        (20.505, Band.OVER_RANGE),
        (20.525, Band.GAP_HIGH),
    ],
)
def test_noise_at_the_end_of_measurement_is_no_gap(current_ma, expected):
    """A transmitter that saturates goes from the middle of its range to the very edge of it."""
    assert expected == band(current_ma / 1000, NE43, Band.NOMINAL)


@given(currents, st.none() | st.sampled_from(Band))
def test_hysteresis_moves_a_limit_by_no_more_than_itself(current_a, previous):
    """Whatever was before, the band is that of a current within the hysteresis of this one."""
    near = {band(current_a + d * NE43.hysteresis, NE43) for d in (-1, 0, 1)}
    found = band(current_a, NE43, previous)
    assert min(map(ORDER.index, near)) <= ORDER.index(found) <= max(map(ORDER.index, near))


@given(currents, currents, st.none() | st.sampled_from(Band))
def test_more_current_is_never_a_lower_band(one_a, other_a, previous):
    """Bands follow the current upwards, with and without a band before."""
    low_a, high_a = sorted((one_a, other_a))
    found = [ORDER.index(band(c, NE43, previous)) for c in (low_a, high_a)]
    assert sorted(found) == found


def run(currents_ma, step_s=1.0, limits=NE43):
    """What is believed after each current, one every `step_s`."""
    state, believed = LoopState(), []
    for current in currents_ma:
        state = judge(state, current / 1000, round(step_s * 1e9), limits)
        believed.append(state.believed)
    return believed


def test_failure_is_believed_after_4_seconds():
    """A failure current must last the failure hold, to the second, before it is believed."""
    believed = run([12, 2, 2, 2, 2, 2])
    assert [Band.NOMINAL] * 5 + [Band.FAILURE_LOW] == believed


def test_short_dip_is_no_failure():
    """A dip shorter than the hold leaves the class as it was, and the next one starts anew."""
    believed = run([12, 2, 2, 2, 12, 2, 2, 2, 2])
    assert [Band.NOMINAL] * 9 == believed


def test_return_is_believed_after_2_seconds():
    """After a failure, measurement must last the return hold without a break."""
    believed = run([2, 12, 12, 12])
    assert [Band.FAILURE_LOW] * 3 + [Band.NOMINAL] == believed


def test_gap_breaks_a_return():
    """Between failure and measurement a return does not count on: it begins again."""
    believed = run([2, 12, 12, 3.7, 12, 12, 12])
    assert [Band.FAILURE_LOW] * 6 + [Band.NOMINAL] == believed


def test_gap_lets_the_failure_hold_run():
    """A transmitter that slides through the gap into failure is believed from the gap on."""
    believed = run([12, 3.7, 3.7, 3.7, 3.7, 3.5])
    assert [Band.NOMINAL] * 5 + [Band.FAILURE_LOW] == believed


def test_gap_alone_is_never_believed():
    """A gap belongs to no class, however long it lasts."""
    assert [Band.NOMINAL] + [Band.NOMINAL] * 30 == run([12, *[3.7] * 30])
    assert [None, None, Band.UNDER_RANGE] == run([3.7, 3.7, 3.9])


def test_first_current_is_believed_at_once():
    """After start there is no class to hold on to."""
    assert [Band.FAILURE_HIGH] == run([22])
    assert [Band.NOMINAL] == run([12])


def test_other_failure_and_other_measurement_need_no_hold():
    """Within failure and within measurement the class follows the current."""
    assert [Band.FAILURE_LOW, Band.FAILURE_HIGH] == run([2, 22])
    assert [Band.NOMINAL, Band.OVER_RANGE, Band.UNDER_RANGE] == run([12, 20.3, 3.85])


def test_holds_and_limits_are_settable():
    """A transmitter that does not follow NE 43 gets its own limits and times."""
    settings = {"failure_low": "1 mA", "measurement_low": "2 mA", "failure_hold": "1 s"}
    own = Ne43.model_validate(settings)
    assert [Band.NOMINAL, Band.UNDER_RANGE, Band.UNDER_RANGE, Band.FAILURE_LOW] == run(
        [12, 2.5, 0.5, 0.5], limits=own
    )


steps = st.lists(st.tuples(currents, st.floats(0, 5)), min_size=1, max_size=40)


@given(steps)
def test_class_changes_only_after_its_hold(history):
    """No run of currents turns measurement to failure, or back, in less than the hold time."""
    state, since_s = LoopState(), 0.0
    for current_a, elapsed_s in history:
        before = state
        state = judge(before, current_a, round(elapsed_s * 1e9), NE43)
        contradicted = before.held_ns is not None
        since_s = since_s + elapsed_s if contradicted else 0.0
        turned = before.believed is not None and (before.believed in FAILURES) != (
            state.believed in FAILURES
        )
        if turned:
            hold_s = NE43.return_hold if before.believed in FAILURES else NE43.failure_hold
            assert since_s >= hold_s - 1e-6
        assert state.believed not in GAPS
        assert state.band == band(current_a, NE43, before.band)


@given(steps, st.floats(-0.01, 0.00355) | st.floats(0.02105, 0.03))
def test_lasting_failure_is_always_believed(history, failure_a):
    """Whatever was before, a failure current that stays is believed when its hold is over."""
    state = LoopState()
    for current_a, elapsed_s in history:
        state = judge(state, current_a, round(elapsed_s * 1e9), NE43)
    for _ in range(6):
        state = judge(state, failure_a, 1_000_000_000, NE43)
    assert (Band.FAILURE_LOW if failure_a < 0.01 else Band.FAILURE_HIGH) == state.believed


@given(steps, st.floats(0.0039, 0.0204))
def test_lasting_measurement_is_always_believed(history, current_a):
    """Whatever was before, a measurement that stays is believed when its hold is over."""
    state = LoopState()
    for earlier_a, elapsed_s in history:
        state = judge(state, earlier_a, round(elapsed_s * 1e9), NE43)
    for _ in range(4):
        state = judge(state, current_a, 1_000_000_000, NE43)
    assert state.believed not in (None, *FAILURES)
    assert state.held_ns is None
