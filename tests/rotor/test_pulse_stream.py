"""The pulse estimator, fed while the pulse goes on."""

from itertools import pairwise

import numpy as np
import pytest

from gateway.rotor.measured import Measured
from gateway.rotor.pulse_estimator import RecordError, estimate
from gateway.rotor.pulse_injection import Source
from gateway.rotor.pulse_record import PulseRecord
from gateway.rotor.pulse_stream import PulseStream
from gateway.tags import Limit
from simulator.record import Digitizer, PulseSource, sample_record
from simulator.rotor import Fault, TerminalInjection, Winding

E_V, R0_OHM, PERIOD_S = 50.0, 20e3, 2.0
SOURCE = Source(Measured(E_V, 0.0), Measured(R0_OHM, 0.0), 0.0)
NOISE_A = 1e-4 * E_V / R0_OHM


def sampled(fault_ohm=50e3, capacitance_f=1e-6, seconds=4.0, later=()):
    """A record of the simulator's own rotor, 500 samples a second."""
    time_s = (np.arange(round(500 * seconds)) + 0.5) / 500
    winding = Winding(0.2, 1e12, capacitance_f, (Fault(0.3, fault_ohm),))
    source = PulseSource(E_V, PERIOD_S, TerminalInjection(R0_OHM))
    digitizer = Digitizer(noise_a=NOISE_A, field_noise_v=0.05, seed=7)
    return sample_record(
        time_s, winding, source, field_v=200.0, later_faults=later, digitizer=digitizer
    )


def fed(record, size, window_s=8.0):
    """The stream after each block of `size` samples."""
    stream = PulseStream(SOURCE, window_s, PERIOD_S)
    for k in range(0, len(record.time_s), size):
        part = slice(k, k + size)
        stream.add(record.time_s[part], record.current_a[part], record.field_voltage_v[part])
        yield stream


@pytest.mark.parametrize("size", [1, 7, 64, 2000])
def test_in_whatever_portions_samples_come_the_answer_is_that_of_the_whole_record(size):
    record = sampled()
    *_, stream = fed(record, size)
    whole = estimate(
        PulseRecord(record.time_s, record.current_a, PERIOD_S, record.field_voltage_v), SOURCE
    )
    assert whole.fault_resistance_ohm == stream.estimate().fault_resistance_ohm
    assert whole.fault_location_pu == stream.estimate().fault_location_pu


def test_a_sample_may_come_as_plain_numbers():
    record = sampled(seconds=2.5)
    one = PulseStream(SOURCE, 8.0, None, Measured(200.0, 0.0))
    for t, i, e in zip(record.time_s, record.current_a, record.pulse_v, strict=True):
        one.add(float(t), float(i), pulse_v=float(e))
    told = one.estimate().fault_resistance_ohm
    assert abs(told.value - 50e3) < 5 * told.u


@pytest.mark.parametrize(
    ("fault_ohm", "capacitance_f", "tau_s"),
    [(50e3, 1e-6, 0.0142857), (1e6, 1e-6, 0.0196078), (1e6, 5e-6, 0.0980392)],
)
def test_a_first_answer_within_a_tenth_comes_before_the_current_has_settled(
    fault_ohm, capacitance_f, tau_s
):
    # tau = C R0 Rf/(R0 + Rf) by hand; 1 % settling takes 4.6 tau (check: ln 100).
    record, half_s = sampled(fault_ohm, capacitance_f), PERIOD_S / 2
    for k, stream in enumerate(fed(record, 4), start=1):
        result = stream.estimate()
        if result is None:
            assert record.time_s[4 * k - 1] < half_s + 2 * 4 / 500
            continue
        told = result.fault_resistance_ohm
        if told.u is not None and 2 * told.u < 0.1 * told.value:
            break
    assert record.time_s[4 * k - 1] - half_s < 0.8 * tau_s + 4 / 500
    assert abs(told.value - fault_ohm) < 4 * told.u


def test_the_answer_sharpens_while_the_half_cycle_goes_on():
    answers = [
        told
        for stream in fed(sampled(), 50)
        if (told := stream.estimate()) is not None and told.fault_resistance_ohm.u is not None
    ]
    uncertainties = [a.fault_resistance_ohm.u for a in answers]
    assert len(uncertainties) > 20
    assert uncertainties[-1] < 0.3 * uncertainties[0]
    # Each may be larger than the one before by no more than the scatter of an estimated noise.
    assert all(b < 1.1 * a for a, b in pairwise(uncertainties))


def test_before_the_first_reversal_nothing_is_told():
    record = sampled(seconds=0.99)
    *_, stream = fed(record, 10)
    assert stream.estimate() is None


def test_what_has_left_the_window_counts_no_more():
    record = sampled(seconds=16.0, later=((4.0, Fault(0.8, 5e3)),))
    *_, stream = fed(record, 100, window_s=6.0)
    result = stream.estimate()
    assert result.flags == ()
    assert len(result.used) == 3001
    # Two faults in parallel: 50 kohm and 5 kohm make 4545.45 ohm (Ohm's law).
    assert abs(result.fault_resistance_ohm.value - 4545.45) < 5 * result.fault_resistance_ohm.u


def test_no_samples_are_no_news():
    stream = PulseStream(SOURCE, 8.0, PERIOD_S)
    stream.add([], [])
    assert stream.estimate() is None


def test_without_current_the_resistance_is_at_least_something():
    stream = PulseStream(SOURCE, 8.0, PERIOD_S, Measured(200.0, 0.0))
    time_s = (np.arange(2000) + 0.5) / 500
    stream.add(time_s, np.random.default_rng(1).normal(0, NOISE_A, 2000))
    told = stream.estimate().fault_resistance_ohm
    assert told.status.limit is Limit.HIGH
    assert told.value > 1e6


@pytest.mark.parametrize(
    "block",
    [
        ([1.0, 2.0], [1.0]),
        ([1.0], [1.0, 2.0]),
        ([1.0], [1.0], [1.0, 2.0]),
        ([1.0], [1.0], None, [1.0, 2.0]),
    ],
)
def test_a_block_with_columns_of_different_length_is_refused_whole(block):
    stream = PulseStream(SOURCE, 8.0, PERIOD_S)
    with pytest.raises(ValueError, match="each sample needs a time and a current"):
        stream.add(*block)
    assert stream.estimate() is None


def test_a_column_that_comes_once_must_come_always():
    stream = PulseStream(SOURCE, 8.0, PERIOD_S)
    stream.add(0.1, 1e-3, 200.0)
    with pytest.raises(ValueError, match="the same as those before"):
        stream.add(0.2, 1e-3)


def test_what_is_no_pulse_circuit_is_said_and_not_kept_quiet():
    record = sampled()
    stream = PulseStream(SOURCE, 8.0, PERIOD_S)
    stream.add(record.time_s, record.current_a * 1e3, record.field_voltage_v)
    with pytest.raises(RecordError, match="check the unit of the current"):
        stream.estimate()


def test_where_time_steps_back_the_past_is_dropped() -> None:
    """A recorder's clock that was set back must not make the stream keep everything."""
    record = sampled(seconds=4.0)
    *_, stream = fed(record, 100)
    for k in range(0, len(record.time_s), 100):
        part = slice(k, k + 100)
        stream.add(record.time_s[part], record.current_a[part], record.field_voltage_v[part])
    result = stream.estimate()
    assert len(record.time_s) == len(result.used)
    assert abs(result.fault_resistance_ohm.value - 50e3) < 5 * result.fault_resistance_ohm.u


@pytest.mark.parametrize("window_s", [0.0, -1.0, float("nan")])
def test_a_window_that_holds_nothing_is_refused(window_s):
    with pytest.raises(ValueError, match="give seconds above 0"):
        PulseStream(SOURCE, window_s, PERIOD_S)


def test_an_uncertain_scale_of_the_field_voltage_makes_the_location_uncertain():
    record = sampled()
    stream = PulseStream(SOURCE, 8.0, PERIOD_S, field_scale_u=0.01)
    stream.add(record.time_s, record.current_a, record.field_voltage_v)
    # alpha - beta is inverse to the scale (by hand).
    assert pytest.approx(0.01 * 0.3, rel=0.01) == stream.estimate().fault_location_pu.u
